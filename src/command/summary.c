/* cantle summary: what the pixels of a map file say together. */
#include "command/summary.h"

#include "base/output_file.h"
#include "base/progress.h"
#include "command/command.h"
#include "command/describe.h"
#include "command/map_names.h"
#include "maps/masking.h"
#include "maps/phases_file.h"
#include "review/regions.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { KEY_DRAWS = 0x200, KEY_SEED, KEY_BLOCK, KEY_CSV, KEY_REJECTED, KEY_NO_PHASES };

struct options {
    const char *file, *mask, *output, *figure, *phases, *draws, *seed, *block;
    const char *word[MAP_COUNT];
    size_t n_words;
    bool too_many, json, csv, overwrite, with_rejected, no_phases, quiet;
};

static const struct argp_option options[] = {
    {"mask", 'm', "MASK", 0,
     "only these pixels: thresholds, flags, shapes, regions, for example 'modulus > 2 MPa and not "
     "has steep'; all of it in docs/masks.md",
     1},
    {"with-rejected", KEY_REJECTED, NULL, 0, "use the values of rejected pixels too", 1},
    {"phases", 'p', "N", 0,
     "fit this many phases, 1 to 5. Default: as many as the data say beyond chance", 2},
    {"no-phases", KEY_NO_PHASES, NULL, 0, "do not look for phases", 2},
    {"draws", KEY_DRAWS, "N", 0, "of the bootstrap (default 1000); 0 = no intervals", 2},
    {"seed", KEY_SEED, "N", 0, "of the bootstrap (default 1)", 2},
    {"block", KEY_BLOCK, "N", 0,
     "side of the bootstrap's blocks in pixels. Default: from the correlation of the pixels", 2},
    {"json", 'j', NULL, 0, "print one JSON object instead of text; SI units", 3},
    {"quiet", 'q', NULL, 0, "no progress", 3},
    {"csv", KEY_CSV, NULL, 0, "print CSV instead of text: one quantity a line, SI units", 3},
    {"figure", 'g', "FIGURE", 0,
     "draw the histogram with the fit, and the phase map: a name ending in .png, .svg or .pdf; a "
     "figure that is there already is replaced",
     3},
    {"output", 'o', "FILE.h5", 0,
     "write the phase map: /entry/phases/phase, 1 for the softest, 0 = not used", 3},
    {"overwrite", 'f', NULL, 0, "replace FILE.h5 if it exists", 3},
    {0}};

static const char doc[] =
    "Statistics of maps: median with its interval, MAD, quantiles, log-normal fit, phases.\v"
    "MAP is a name of a map (`cantle manual maps` lists them). Default: modulus. Phases are looked "
    "for in the first map, if it is one whose logarithm is drawn.\n\n"
    "Used are accepted and doubtful pixels; what is left out is counted, by flag. Neighbouring "
    "pixels resemble each other, so the intervals come from blocks of neighbours (docs/"
    "summary-and-export.md). The uncertainty of the calibration is common to all pixels and stands "
    "beside the interval, not in it.";

static error_t parse(int key, char *arg, struct argp_state *state)
{
    struct options *o = state->input;
    switch (key) {
    case 'm':
        o->mask = arg;
        return 0;
    case KEY_REJECTED:
        return o->with_rejected = true, 0;
    case 'p':
        o->phases = arg;
        return 0;
    case KEY_NO_PHASES:
        return o->no_phases = true, 0;
    case KEY_DRAWS:
        o->draws = arg;
        return 0;
    case KEY_SEED:
        o->seed = arg;
        return 0;
    case KEY_BLOCK:
        o->block = arg;
        return 0;
    case 'j':
        return o->json = true, 0;
    case 'q':
        return o->quiet = true, 0;
    case KEY_CSV:
        return o->csv = true, 0;
    case 'g':
        o->figure = arg;
        return 0;
    case 'o':
        o->output = arg;
        return 0;
    case 'f':
        return o->overwrite = true, 0;
    case ARGP_KEY_ARG:
        if (!o->file)
            o->file = arg;
        else if (o->n_words < MAP_COUNT)
            o->word[o->n_words++] = arg;
        else
            o->too_many = true;
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static enum status read_wish(const struct options *o, struct summary_wish *w, struct report *rep)
{
    unsigned long draws = 1000, seed = 1, block = 0, phases = 0;
    enum status st = ST_OK;
    if (o->draws) st = option_whole("draws", o->draws, 0, 1000000, &draws, rep);
    if (st == ST_OK && o->seed) st = option_whole("seed", o->seed, 0, 4294967295, &seed, rep);
    if (st == ST_OK && o->block) st = option_whole("block", o->block, 1, 100000, &block, rep);
    if (st == ST_OK && o->phases)
        st = option_whole("phases", o->phases, 1, MIXTURE_MOST, &phases, rep);
    if (st == ST_OK && o->phases && o->no_phases)
        st = fail(rep, ST_USAGE, "--phases and --no-phases exclude each other");
    *w = (struct summary_wish){draws, block, seed, !o->no_phases, (int)phases};
    return st;
}

static enum status check(const struct options *o, struct report *rep)
{
    if (!o->file) return fail(rep, ST_USAGE, "which map file? Write: cantle summary MAPS.h5");
    if (o->too_many) return fail(rep, ST_USAGE, "too many maps");
    if (o->json && o->csv) return fail(rep, ST_USAGE, "--json and --csv exclude each other");
    if (o->output && o->no_phases)
        return fail(rep, ST_USAGE, "--output is for the phase map, which --no-phases leaves out");
    enum status st = maps_mask_spares(o->mask, o->output, rep);
    return st == ST_OK && o->output ? output_check(o->output, o->file, o->overwrite, rep) : st;
}

bool summary_uses(const struct summary_all *a, uint8_t state)
{
    return state == STATE_accepted || state == STATE_doubtful ||
           (state == STATE_rejected && a->with_rejected);
}

static void choose(struct summary_all *a, int id)
{
    for (size_t k = 0; k < a->n_parts; k++)
        if ((int)a->part[k].id == id) return;
    a->part[a->n_parts++].id = (enum map_id)id;
}

/* A name stands for all layers that are there. */
static enum status choose_word(struct summary_all *a, const char *word, struct report *rep)
{
    bool known = false, there = false;
    for (int i = 0; i < MAP_COUNT; i++) {
        if (!map_is_named(word, i)) continue;
        known = true;
        if (!a->view->map[i]) continue;
        there = true;
        choose(a, i);
    }
    if (!known) return map_unknown(word, rep);
    return there ? ST_OK : fail(rep, ST_USAGE, "%s: has no map '%s'", a->view->path, word);
}

static enum status choose_maps(struct summary_all *a, const struct options *o, struct report *rep)
{
    enum status st = ST_OK;
    for (size_t i = 0; i < o->n_words && st == ST_OK; i++)
        st = choose_word(a, o->word[i], rep);
    if (o->n_words) return st;
    if (!a->view->map[MAP_modulus])
        return fail(rep, ST_INPUT, "%s: holds no modulus; name a map", a->view->path);
    choose(a, MAP_modulus);
    return ST_OK;
}

/* States and flags of the pixels that the mask chose. */
static void count(struct summary_all *a, const uint8_t *chosen)
{
    const struct maps_view *v = a->view;
    for (size_t i = 0; i < v->ny * v->nx; i++) {
        if (!chosen[i]) continue;
        a->chosen++;
        a->state[v->state[i]]++;
        for (int f = 0; f < FLAG_COUNT; f++) {
            if (!(v->flags[i] >> f & 1)) continue;
            if (v->state[i] == STATE_rejected) a->rejected_flag[f]++;
            if (v->state[i] == STATE_doubtful) a->doubtful_flag[f]++;
        }
    }
}

static enum status fill_part(struct summary_all *a, struct map_summary_part *p,
                             const uint8_t *chosen, double factor, struct report *rep)
{
    const struct maps_view *v = a->view;
    size_t n = v->ny * v->nx;
    p->value = malloc(n * sizeof *p->value);
    if (!p->value) return fail(rep, ST_MEMORY, "not enough memory for %zu pixels", n);
    for (size_t i = 0; i < n; i++) {
        bool uses = chosen[i] && summary_uses(a, v->state[i]);
        p->value[i] = uses ? factor * (double)v->map[p->id][i] : (double)NAN;
        if (!isfinite(p->value[i])) p->value[i] = NAN;
        p->without_value += uses && isnan(p->value[i]) ? 1 : 0;
    }
    p->budget = NAN;
    for (int q = 0; q < BUDGET_COUNT && v->has_budget; q++)
        if (budget_maps[q] == p->id && v->budget.result[q].there) {
            p->budget = v->budget.result[q].combined;
            p->budget_complete = v->budget.result[q].complete;
        }
    return ST_OK;
}

static double *areas(const struct maps_view *v)
{
    double *area = malloc(v->ny * v->nx * sizeof *area);
    for (size_t i = 0; area && i < v->ny * v->nx; i++)
        area[i] = regions_pixel_area(v->ny, v->nx, v->y_m, v->x_m, i / v->nx, i % v->nx);
    return area;
}

static enum status sum_up(struct summary_all *a, const uint8_t *chosen, struct report *rep)
{
    const struct maps_view *v = a->view;
    double factor[MAP_COUNT], *area = areas(v);
    struct progress progress;
    enum status st = area ? maps_view_factors(v, factor, rep)
                          : fail(rep, ST_MEMORY, "not enough memory for the pixels' areas");
    for (size_t k = 0; k < a->n_parts && st == ST_OK; k++) {
        struct map_summary_part *p = &a->part[k];
        struct summary_wish wish = *a->wish;
        wish.phases &= k == 0 && map_rows[p->id].scale == SCALE_LOG;
        st = fill_part(a, p, chosen, factor[p->id], rep);
        const struct summary_plane plane = {v->ny, v->nx, p->value, area};
        progress_begin(&progress, a->progress, "draws", wish.draws);
        if (st == ST_OK) st = summary_make(&plane, &wish, &progress, &p->s, rep);
        progress_end(&progress);
    }
    free(area);
    return st;
}

static enum status assign_phases(struct summary_all *a, struct report *rep)
{
    const struct maps_view *v = a->view;
    const struct map_summary_part *p = &a->part[0];
    size_t n = v->ny * v->nx;
    if (!p->s.has_phases) return ST_OK;
    double *ln = malloc(n * sizeof *ln);
    a->phase = malloc(n * sizeof *a->phase);
    a->probability = malloc(n * sizeof *a->probability);
    if (!ln || !a->phase || !a->probability) {
        free(ln);
        return fail(rep, ST_MEMORY, "not enough memory for the phase map");
    }
    const struct phase_data d = {.ny = v->ny, .nx = v->nx, .value = ln};
    summary_logarithms(p->value, n, ln);
    phases_assign(&p->s.phases.fit[p->s.phases.chosen - 1], &d, a->phase, a->probability);
    a->phase_part = 0;
    free(ln);
    return ST_OK;
}

static enum status write_phases(const struct summary_all *a, const struct options *o,
                                const char *command_line, struct report *rep)
{
    if (a->phase_part < 0)
        return fail(rep, ST_INPUT,
                    "%s: no phases to write: the first map must have 50 positive values or more, "
                    "and be one that is drawn by its logarithm",
                    a->view->path);
    const struct map_summary_part *p = &a->part[a->phase_part];
    char label[64];
    map_label((int)p->id, label);
    const struct phases_file f = {.view = a->view,
                                  .map = label,
                                  .mask = a->mask,
                                  .command_line = command_line,
                                  .phase = a->phase,
                                  .probability = a->probability,
                                  .phases = &p->s.phases};
    return phases_file_write(o->output, o->overwrite, &f, rep);
}

static enum status show(const struct summary_all *a, const struct options *o,
                        const char *command_line, struct report *rep)
{
    enum status st = o->output ? write_phases(a, o, command_line, rep) : ST_OK;
    if (st == ST_OK && o->figure) st = summary_draw(a, o->figure, rep);
    if (st != ST_OK) return st;
    if (o->json) return summary_print_json(a, rep);
    if (o->csv) {
        summary_print_csv(a);
        return ST_OK;
    }
    char name[512];
    summary_print(a);
    describe_name(o->output ? o->output : "", name);
    if (o->output) describe_line("phase map", "%s: /entry/phases/phase", name);
    describe_name(o->figure ? o->figure : "", name);
    if (o->figure) describe_line("figure", "%s", name);
    return ST_OK;
}

static enum status run(const struct options *o, const char *command_line, struct report *rep)
{
    struct maps_view view;
    struct summary_wish wish;
    enum status st = check(o, rep);
    if (st == ST_OK) st = read_wish(o, &wish, rep);
    if (st == ST_OK) st = maps_view_load(&view, o->file, rep);
    if (st != ST_OK) return st;
    struct summary_all *a = calloc(1, sizeof *a);
    uint8_t *chosen = malloc(view.ny * view.nx);
    if (!a || !chosen) {
        st = fail(rep, ST_MEMORY, "not enough memory for a summary");
        goto done;
    }
    *a = (struct summary_all){.view = &view,
                              .mask = o->mask,
                              .with_rejected = o->with_rejected,
                              .wish = &wish,
                              .phase_part = -1,
                              .progress = o->quiet ? NULL : stderr};
    memset(chosen, 1, view.ny * view.nx);
    st = choose_maps(a, o, rep);
    if (st == ST_OK && o->mask) st = maps_mask(&view, o->mask, chosen, NULL, rep);
    if (st == ST_OK) count(a, chosen);
    if (st == ST_OK && o->mask && a->chosen == 0)
        st = fail(rep, ST_INPUT, "%s: the mask chooses no pixel", view.path);
    if (st == ST_OK) st = sum_up(a, chosen, rep);
    if (st == ST_OK) st = assign_phases(a, rep);
    if (st == ST_OK) st = show(a, o, command_line, rep);
done:
    for (size_t k = 0; a && k < a->n_parts; k++)
        free(a->part[k].value);
    if (a) free(a->phase);
    if (a) free(a->probability);
    free(a);
    free(chosen);
    maps_view_free(&view);
    return st;
}

enum status command_summary(int argc, char **argv, const struct world *world, struct report *rep)
{
    const struct argp argp = {options, parse, "MAPS.h5 [MAP...]", doc, NULL, NULL, NULL};
    struct options o = {0};
    bool done = false;
    enum status st = options_parse(&argp, argc, argv, world, &o, &done, rep);
    if (st != ST_OK || done || world->rank != 0) return st;
    char *command_line = options_command_line(argc, argv);
    if (!command_line) return fail(rep, ST_MEMORY, "not enough memory for the command line");
    st = run(&o, command_line, rep);
    free(command_line);
    return st;
}
