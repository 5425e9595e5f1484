/* cantle draw: maps of a finished file as a figure. */
#include "command/command.h"

#include "base/units.h"
#include "command/describe.h"
#include "command/map_names.h"
#include "figure/figure.h"
#include "maps/maps.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { WORDS_MOST = 2 * MAP_COUNT };

enum scale_wish { WISH_DEFAULT, WISH_LINEAR, WISH_LOG };

struct draw_wish {
    const char *file, *output, *range, *columns;
    const char *word[WORDS_MOST];
    size_t n_words;
    bool too_many, errors;
    enum scale_wish scale;
};

/* What is drawn, in this order. */
struct choice {
    size_t n;
    enum map_id map[WORDS_MOST];
};

static const struct argp_option options[] = {
    {"output", 'o', "FIGURE", 0,
     "Where to: a name ending in .png, .svg or .pdf. Default: the map file's name with .png. A "
     "figure that is there already is replaced",
     0},
    {"range", 'r', "LOW:HIGH", 0,
     "Colour range, two quantities such as '10 kPa:2 MPa'; one may be left away. Default: 2nd "
     "to 98th percentile of the values that were not rejected",
     0},
    {"linear", 'n', NULL, 0, "Linear colour scale for all maps", 0},
    {"log", 'l', NULL, 0,
     "Logarithmic colour scale for all maps. Default: as `cantle manual maps` says", 0},
    {"columns", 'c', "N", 0, "Maps beside each other. Default: up to 4", 0},
    {"errors", 'e', NULL, 0, "Draw the standard errors beside the maps that have any", 0},
    {0}};

static const char doc[] =
    "Draw maps with axes in um, colour bar and histogram.\v"
    "MAP is a name of a map (`cantle manual maps` lists them), or `all` for every map that has a "
    "value. A map with a further axis is drawn layer by layer; NAME:3 is its third layer. "
    "Default: modulus, adhesion and deformation. Several maps come into one figure.\n\n"
    "Rejected pixels are grey. Absent pixels and pixels without a value are white. Doubtful pixels "
    "keep "
    "their colour and carry a dot if the pixels are large enough. The histogram shows what is "
    "neither "
    "rejected nor absent; the solid line is the median, the dashed lines are the quartiles.";

static error_t parse(int key, char *arg, struct argp_state *state)
{
    struct draw_wish *wish = state->input;
    switch (key) {
    case 'o':
        wish->output = arg;
        return 0;
    case 'r':
        wish->range = arg;
        return 0;
    case 'n':
        wish->scale = WISH_LINEAR;
        return 0;
    case 'l':
        wish->scale = WISH_LOG;
        return 0;
    case 'c':
        wish->columns = arg;
        return 0;
    case 'e':
        wish->errors = true;
        return 0;
    case ARGP_KEY_ARG:
        if (!wish->file)
            wish->file = arg;
        else if (wish->n_words < WORDS_MOST)
            wish->word[wish->n_words++] = arg;
        else
            wish->too_many = true;
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static void choose(struct choice *out, enum map_id id)
{
    for (size_t i = 0; i < out->n; i++)
        if (out->map[i] == id) return;
    if (out->n < WORDS_MOST) out->map[out->n++] = id;
}

static enum status choose_word(const struct maps_view *view, const char *word, struct choice *out,
                               struct report *rep)
{
    bool all = strcmp(word, "all") == 0, known = all;
    size_t there = 0;
    for (int i = 0; i < MAP_COUNT; i++) {
        bool named = map_is_named(word, i);
        known = known || named;
        if (all ? !map_has_value(view, (enum map_id)i) : !(named && view->map[i])) continue;
        there++;
        choose(out, (enum map_id)i);
    }
    if (!known) return map_unknown(word, rep);
    if (all && !there) return fail(rep, ST_INPUT, "%s: no map has any value", view->path);
    return there ? ST_OK : fail(rep, ST_USAGE, "%s: has no map '%s'", view->path, word);
}

static enum status choose_maps(const struct draw_wish *wish, const struct maps_view *view,
                               struct choice *out, struct report *rep)
{
    static const enum map_id usual[] = {MAP_modulus, MAP_adhesion, MAP_deformation};
    enum status st = ST_OK;
    for (size_t i = 0; i < wish->n_words && st == ST_OK; i++)
        st = choose_word(view, wish->word[i], out, rep);
    if (wish->n_words) return st;
    for (size_t i = 0; i < sizeof usual / sizeof *usual; i++)
        if (map_has_value(view, usual[i])) choose(out, usual[i]);
    if (out->n == 0 && view->map[MAP_modulus])
        choose(out, MAP_modulus); /* shows what was rejected */
    return out->n ? ST_OK : fail(rep, ST_INPUT, "%s: holds no map to draw", view->path);
}

/* Either side of the colon may be empty. */
static enum status read_range(const char *text, const char *si_unit, double *low, double *high,
                              struct report *rep)
{
    char part[2][128];
    double value[2] = {NAN, NAN};
    const char *colon = strchr(text, ':');
    if (!colon || (size_t)(colon - text) >= sizeof part[0] || strlen(colon) >= sizeof part[1])
        return fail(rep, ST_USAGE, "--range '%.64s': write LOW:HIGH, such as '10 kPa:2 MPa'", text);
    snprintf(part[0], sizeof part[0], "%.*s", (int)(colon - text), text);
    snprintf(part[1], sizeof part[1], "%s", colon + 1);
    for (int i = 0; i < 2; i++)
        if (part[i][strspn(part[i], " ")] &&
            units_quantity(part[i], si_unit, &value[i], rep) != ST_OK)
            return within(rep, ST_USAGE, "--range: ");
    if (value[0] >= value[1])
        return fail(rep, ST_USAGE, "--range '%.64s': the first must be smaller than the second",
                    text);
    *low = value[0];
    *high = value[1];
    return ST_OK;
}

static enum status read_columns(const char *text, size_t *out, struct report *rep)
{
    *out = 0;
    return text ? option_whole("columns", text, 1, 100, out, rep) : ST_OK;
}

static uint8_t *marks_of(const struct maps_view *view)
{
    size_t n = view->ny * view->nx;
    uint8_t *mark = malloc(n);
    for (size_t i = 0; mark && i < n; i++)
        mark[i] = view->state[i] == STATE_doubtful   ? 1
                  : view->state[i] == STATE_rejected ? 2
                  : view->state[i] == STATE_absent   ? 3
                                                     : 0;
    return mark;
}

/* The view's numbers are in the file's unit; a figure takes SI. */
static enum status to_si(const struct maps_view *view, enum map_id id, const float *from,
                         const double **out, struct report *rep)
{
    struct unit_scale scale;
    size_t n = view->ny * view->nx;
    enum status st = units_scale(view->unit[id], map_rows[id].si_unit, &scale, rep);
    if (st != ST_OK) return within(rep, st, "%s: %s: ", view->path, map_rows[id].name);
    double *value = malloc(n * sizeof *value);
    if (!value) return fail(rep, ST_MEMORY, "no memory to draw a map of %zu pixels", n);
    for (size_t i = 0; i < n; i++)
        value[i] = scale.factor * (double)from[i];
    *out = value;
    return ST_OK;
}

/* A figure map in the making: the figure borrows the texts. */
struct picture {
    struct figure_map map;
    char words[192];
};

static enum status fill(struct picture *p, const struct draw_wish *wish,
                        const struct maps_view *view, enum map_id id, bool error,
                        struct report *rep)
{
    const struct map_row *row = &map_rows[id];
    char words[160];
    bool log_scale = wish->scale == WISH_DEFAULT ? row->scale == SCALE_LOG
                                                 : wish->scale == WISH_LOG;
    map_words(&view->extent, (int)id, words);
    snprintf(p->words, sizeof p->words, "%s%s", error ? "standard error of " : "", words);
    p->map.title = p->map.label = p->words;
    p->map.si_unit = row->si_unit;
    p->map.ny = view->ny;
    p->map.nx = view->nx;
    p->map.x_m = view->x_m;
    p->map.y_m = view->y_m;
    p->map.log_scale = log_scale;
    p->map.low = p->map.high = NAN;
    enum status st = ST_OK;
    if (wish->range && !error)
        st = read_range(wish->range, row->si_unit, &p->map.low, &p->map.high, rep);
    if (st != ST_OK) return within(rep, st, "%s: ", row->name);
    return to_si(view, id, error ? view->error[id] : view->map[id], &p->map.value, rep);
}

static enum status draw_choice(const struct draw_wish *wish, const struct maps_view *view,
                               const struct choice *choice, const char *path, struct report *rep)
{
    struct picture picture[2 * WORDS_MOST] = {0};
    struct figure_map map[2 * WORDS_MOST];
    size_t n = 0, columns;
    uint8_t *mark = marks_of(view);
    enum status st = read_columns(wish->columns, &columns, rep);
    if (!mark) st = fail(rep, ST_MEMORY, "no memory to draw a map");
    for (size_t i = 0; i < choice->n && st == ST_OK; i++) {
        enum map_id id = choice->map[i];
        st = fill(&picture[n++], wish, view, id, false, rep);
        if (st == ST_OK && wish->errors && view->error[id])
            st = fill(&picture[n++], wish, view, id, true, rep);
    }
    for (size_t i = 0; i < n; i++) {
        picture[i].map.mark = mark;
        map[i] = picture[i].map;
    }
    if (st == ST_OK) st = figure_maps(view->title, map, n, columns, path, rep);
    for (size_t i = 0; i < n; i++)
        free((void *)picture[i].map.value);
    free(mark);
    return st;
}

/* MAPS.h5 -> MAPS.png */
static enum status figure_path(const struct draw_wish *wish, char *out, size_t size,
                               struct report *rep)
{
    size_t n = strlen(wish->file);
    if (n > 3 && strcmp(wish->file + n - 3, ".h5") == 0) n -= 3;
    int used = wish->output ? snprintf(out, size, "%s", wish->output)
                            : snprintf(out, size, "%.*s.png", (int)n, wish->file);
    if (used < 0 || (size_t)used >= size) return fail(rep, ST_USAGE, "the name is too long");
    return ST_OK;
}

static void announce(const struct choice *choice, const char *path)
{
    char name[512];
    describe_name(path, name);
    printf("figure: %s (", name);
    for (size_t i = 0; i < choice->n; i++) {
        map_label((int)choice->map[i], name);
        printf("%s%s", i ? ", " : "", name);
    }
    printf(")\n");
}

static enum status run(const struct draw_wish *wish, struct report *rep)
{
    struct maps_view view;
    struct choice choice = {0};
    char path[4096];
    if (!wish->file) return fail(rep, ST_USAGE, "which map file? Write: cantle draw MAPS.h5");
    if (wish->too_many) return fail(rep, ST_USAGE, "too many maps at once; write: all");
    enum status st = figure_path(wish, path, sizeof path, rep);
    if (st == ST_OK) st = maps_view_load(&view, wish->file, rep);
    if (st != ST_OK) return st;
    st = choose_maps(wish, &view, &choice, rep);
    if (st == ST_OK) st = draw_choice(wish, &view, &choice, path, rep);
    if (st == ST_OK) announce(&choice, path);
    maps_view_free(&view);
    return st;
}

enum status command_draw(int argc, char **argv, const struct world *world, struct report *rep)
{
    const struct argp argp = {options, parse, "MAPS.h5 [MAP...]", doc, NULL, NULL, NULL};
    struct draw_wish wish = {0};
    bool done = false;
    enum status st = options_parse(&argp, argc, argv, world, &wish, &done, rep);
    if (st != ST_OK || done || world->rank != 0) return st;
    return run(&wish, rep);
}
