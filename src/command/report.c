/* cantle report: one HTML file that opens anywhere. */
#include "report/report.h"

#include "base/output_file.h"
#include "base/progress.h"
#include "base/units.h"
#include "base/whole_file.h"
#include "command/command.h"
#include "command/curve_case.h"
#include "command/describe.h"
#include "command/map_names.h"
#include "command/report_cautions.h"
#include "command/volume_choice.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { ASKED_MOST = 1000, MAPS_MOST = MAP_COUNT };

struct report_wish {
    struct curve_source from;
    const char *output, *size, *curves;
    const char *map[MAPS_MOST];
    size_t n_maps;
    const char *pixel[ASKED_MOST];
    size_t n_pixels;
    bool overwrite, quiet, too_many;
};

/* The report in the making, with all it is made from. */
struct making {
    const struct report_wish *wish;
    char path[4096];
    struct maps_view view;
    struct html_report *page;
    struct picks picks;
    struct pixel_place *asked; /* [wish->n_pixels], owned */
    size_t most, further, size;
    enum map_id map[MAP_COUNT];
    size_t n_maps;
    struct {
        size_t maps, curves, maps_left, curves_left, thinned, differ, copied;
    } count;
    char no_curves[sizeof(struct report)]; /* why; "" = there are curves */
};

enum { KEY_MAX_SIZE = 0x101 };

static const struct argp_option options[] = {
    {"output", 'o', "REPORT.html", 0, "Where to. Default: the map file's name with .html", 0},
    {"quiet", 'q', NULL, 0, "no progress", 0},
    {"curves", 'c', "N|all", 0,
     "How many curves, spread over the map, go in besides the typical, the best and the worst "
     "pixel and one for each flag. Default: 32",
     0},
    {"pixel", 'p', "COLUMN,ROW", 0, "Put in the curve of this pixel too; may be given many times",
     0},
    {"max-size", KEY_MAX_SIZE, "MB", 0,
     "Largest size of the report in megabytes; what finds no room is left out, and the report says "
     "so. Default: 20",
     0},
    {"volume", 'v', "VOLUME.h5", 0,
     "Where the volume of the map file is now. Default: where it was, else beside the map file", 0},
    {"mapping", 'm', "DESCRIPTION.yaml", 0,
     MAPPING_HELP ". Default: the one the maps were made with", 0},
    {"overwrite", 'f', NULL, 0, "Replace a report that is there already", 0},
    {0}};

static const char doc[] =
    "Make one HTML file that shows the maps with their curves. It opens in any browser without a "
    "network.\v"
    "MAP is a name of a map (`cantle manual maps` lists them). Default: every map that has a "
    "value.\n\n"
    "A click or the arrow keys choose a pixel; its curve with fit and residuals is shown if it is "
    "in the report, its results in any case. Curves are computed again from the volume; without "
    "the volume the report is made without curves and says so. What comes out of files is shown "
    "as text and never obeyed.";

static error_t parse(int key, char *arg, struct argp_state *state)
{
    struct report_wish *w = state->input;
    switch (key) {
    case 'q':
        w->quiet = true;
        return 0;
    case 'o':
        w->output = arg;
        return 0;
    case 'c':
        w->curves = arg;
        return 0;
    case 'p':
        if (w->n_pixels == ASKED_MOST)
            w->too_many = true;
        else
            w->pixel[w->n_pixels++] = arg;
        return 0;
    case KEY_MAX_SIZE:
        w->size = arg;
        return 0;
    case 'v':
        w->from.volume = arg;
        return 0;
    case 'm':
        w->from.mapping = arg;
        return 0;
    case 'f':
        w->overwrite = true;
        return 0;
    case ARGP_KEY_ARG:
        if (!w->from.file)
            w->from.file = arg;
        else if (w->n_maps == MAPS_MOST)
            w->too_many = true;
        else
            w->map[w->n_maps++] = arg;
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

/* --- what is asked for --- */

static bool whole_number(const char *text, const char **end, size_t *out)
{
    char *stop;
    errno = 0;
    unsigned long long n = strtoull(text, &stop, 10);
    *end = stop;
    *out = n;
    return *text >= '0' && *text <= '9' && !errno;
}

static enum status read_numbers(struct making *m, struct report *rep)
{
    const struct report_wish *w = m->wish;
    const char *end;
    double mb = 20;
    char *stop = NULL;
    m->further = 32;
    if (w->size) mb = strtod(w->size, &stop);
    if ((w->size && (stop == w->size || *stop)) || !(mb > 0 && mb <= 1e6))
        return fail(rep, ST_USAGE, "--max-size '%.64s': write a number of megabytes, such as 20",
                    w->size);
    m->most = (size_t)(mb * 1e6);
    if (!w->curves) return ST_OK;
    if (strcmp(w->curves, "all") == 0)
        m->further = m->view.nx * m->view.ny;
    else if (!whole_number(w->curves, &end, &m->further) || *end)
        return fail(rep, ST_USAGE, "--curves '%.64s': write a whole number, or all", w->curves);
    return ST_OK;
}

static enum status read_pixel(const struct maps_view *v, const char *text, struct pixel_place *out,
                              struct report *rep)
{
    const char *end;
    if (!whole_number(text, &end, &out->column) || *end != ',' ||
        !whole_number(end + 1, &end, &out->row) || *end)
        return fail(rep, ST_USAGE, "--pixel '%.64s': write COLUMN,ROW, such as 12,30", text);
    if (out->column >= v->nx || out->row >= v->ny)
        return fail(rep, ST_USAGE, "--pixel %zu,%zu: columns are 0 to %zu, rows 0 to %zu",
                    out->column, out->row, v->nx - 1, v->ny - 1);
    if (v->state[out->row * v->nx + out->column] == STATE_absent)
        return fail(rep, ST_USAGE, "--pixel %zu,%zu: no curve was taken there", out->column,
                    out->row);
    return ST_OK;
}

static enum status read_pixels(struct making *m, struct report *rep)
{
    enum status st = ST_OK;
    m->asked = calloc(m->wish->n_pixels + 1, sizeof *m->asked);
    if (!m->asked) return fail(rep, ST_MEMORY, "not enough memory for a report");
    for (size_t i = 0; i < m->wish->n_pixels && st == ST_OK; i++)
        st = read_pixel(&m->view, m->wish->pixel[i], &m->asked[i], rep);
    return st;
}

static void choose(struct making *m, int id)
{
    for (size_t k = 0; k < m->n_maps; k++)
        if ((int)m->map[k] == id) return;
    m->map[m->n_maps++] = (enum map_id)id;
}

/* "modulus"; "depth_modulus" for all layers of a map with a further axis, "depth_modulus:3" for
 * one. */
static enum status read_map(struct making *m, const char *word, struct report *rep)
{
    bool known = false, there = false;
    for (int i = 0; i < MAP_COUNT; i++) {
        if (!map_is_named(word, i)) continue;
        known = true;
        if (!m->view.map[i]) continue;
        there = true;
        choose(m, i);
    }
    if (!known) return map_unknown(word, rep);
    return there ? ST_OK : fail(rep, ST_USAGE, "%s: has no map '%s'", m->view.path, word);
}

static enum status read_maps(struct making *m, struct report *rep)
{
    enum status st = ST_OK;
    for (size_t i = 0; i < m->wish->n_maps && st == ST_OK; i++)
        st = read_map(m, m->wish->map[i], rep);
    if (st != ST_OK || m->n_maps) return st;
    for (int i = 0; i < MAP_COUNT; i++)
        if (map_has_value(&m->view, (enum map_id)i)) m->map[m->n_maps++] = (enum map_id)i;
    if (m->n_maps == 0 && m->view.map[MAP_modulus]) /* shows what was rejected */
        m->map[m->n_maps++] = MAP_modulus;
    return m->n_maps ? ST_OK : fail(rep, ST_INPUT, "%s: holds no map to show", m->view.path);
}

/* MAPS.h5 -> MAPS.html */
static enum status read_path(struct making *m, struct report *rep)
{
    const struct report_wish *w = m->wish;
    size_t n = strlen(w->from.file);
    if (n > 3 && strcmp(w->from.file + n - 3, ".h5") == 0) n -= 3;
    int used = w->output ? snprintf(m->path, sizeof m->path, "%s", w->output)
                         : snprintf(m->path, sizeof m->path, "%.*s.html", (int)n, w->from.file);
    if (used < 0 || (size_t)used >= sizeof m->path - 8)
        return fail(rep, ST_USAGE, "the name of the report is too long");
    enum status st = output_check(m->path, w->from.file, w->overwrite, rep);
    if (st == ST_OK && w->from.mapping)
        st = output_check(m->path, w->from.mapping, w->overwrite, rep);
    return st;
}

/* --- what goes in --- */

static json_t *about_json(const struct making *m)
{
    const struct maps_view *v = &m->view;
    return json_pack("{s:s, s:o, s:o, s:s, s:b, s:b, s:b}", "title", v->title, "file",
                     describe_text(v->path), "source", describe_text(v->source_path), "digest",
                     v->summary.digest, "columns_reversed", v->x_flipped, "rows_reversed",
                     v->y_flipped, "finished", v->summary.state[STATE_pending] == 0);
}

static enum status add_facts(struct making *m, struct report *rep)
{
    const struct maps_view *v = &m->view;
    json_t *fit, *calibration, *run = json_loads(v->provenance_json, 0, NULL);
    enum status st = describe_used_json(v->path, &fit, &calibration, rep);
    const struct {
        const char *name;
        json_t *value;
    } facts[] = {{"about", about_json(m)},
                 {"fit", fit},
                 {"calibration", calibration},
                 {"run", run ? run : json_object()},
                 {"uncertainty", v->has_budget ? describe_budget_json(&v->budget) : json_null()},
                 {"recipe", html_report_text(v->recipe_text)},
                 {"lever_file", html_report_text(v->lever_text ? v->lever_text : "")}};
    for (size_t i = 0; i < sizeof facts / sizeof *facts; i++)
        if (st == ST_OK)
            st = html_report_fact(m->page, facts[i].name, facts[i].value, rep);
        else
            json_decref(facts[i].value);
    return st;
}

static enum status add_maps(struct making *m, size_t from, size_t to, struct report *rep)
{
    bool fits = true;
    enum status st = ST_OK;
    for (size_t i = from; i < to && st == ST_OK; i++) {
        st = html_report_map(m->page, m->map[i], &fits, rep);
        m->count.maps += fits;
        m->count.maps_left += !fits;
    }
    return st;
}

/* Does the curve, computed again, give what the map file has? Both are floats in the file's unit.
 */
static bool agrees(const struct making *m, const struct curve_case *c)
{
    const struct maps_view *v = &m->view;
    struct report unused;
    for (int i = 0; i < MAP_COUNT; i++) {
        double factor;
        if (!v->map[i] || units_from_si(map_rows[i].si_unit, v->unit[i], &factor, &unused) != ST_OK)
            continue;
        double was = (double)v->map[i][c->row * v->nx + c->column];
        double is = c->result.map[i].value * factor;
        if (isnan(was) ? isfinite(is) : !(fabs(is - was) <= 1e-5 * fabs(was))) return false;
    }
    return true;
}

static enum status add_curve(struct making *m, struct curve_case *c, const struct pick *pick,
                             bool *fits, struct report *rep)
{
    bool thinned;
    enum status st = curve_case_run(c, pick->column, pick->row, rep);
    if (st != ST_OK) return st;
    const struct report_curve curve = {
        .pick = pick, .trace = &c->trace, .spring_n_per_m = c->plan.setup.spring_n_per_m};
    st = html_report_curve(m->page, &curve, fits, &thinned, rep);
    m->count.curves += *fits;
    m->count.thinned += *fits && thinned;
    const size_t at = pick->row * m->view.nx + pick->column;
    bool copied = maps_view_copied(&m->view, at);
    m->count.copied += *fits && copied;
    if (*fits && !copied && m->view.state[at] != STATE_pending) m->count.differ += !agrees(m, c);
    return st;
}

/* A volume that is not there, or is damaged, is no reason to show nothing; one that the user names
 * must be right. */
static bool is_choosy(const struct report_wish *wish)
{
    return wish->from.volume || wish->from.mapping;
}

/* Once a curve finds no room, the others will not either: they are much alike. */
static enum status add_curves(struct making *m, struct curve_case *c, size_t from, size_t to,
                              struct report *rep)
{
    struct progress line;
    bool fits = true;
    enum status st = ST_OK;
    progress_begin(&line, m->wish->quiet ? NULL : stderr, "curves", m->picks.n);
    for (size_t i = from; i < to && st == ST_OK && fits; i++) {
        st = add_curve(m, c, &m->picks.pick[i], &fits, rep);
        if (st == ST_INPUT && !is_choosy(m->wish)) {
            snprintf(m->no_curves, sizeof m->no_curves, "%s", rep->text);
            st = ST_OK;
            break;
        }
        progress_show(&line, i + 1);
    }
    progress_end(&line);
    return st;
}

/* A volume that is not there is no reason to show nothing; one that the user names must be right.
 */
static enum status open_curves(struct making *m, struct curve_case *c, struct report *rep)
{
    enum status st = curve_case_of_maps(c, &m->wish->from, &m->view, rep);
    if (st == ST_OK) return output_check(m->path, c->volume_path, m->wish->overwrite, rep);
    if (st == ST_MEMORY || is_choosy(m->wish)) return st;
    snprintf(m->no_curves, sizeof m->no_curves, "%s", rep->text);
    return ST_OK;
}

static enum status too_small(const struct making *m, struct report *rep)
{
    return fail(rep, ST_USAGE,
                "--max-size %g MB is too small: with one map and no curve the report needs %.1f MB",
                (double)m->most / 1e6,
                (double)html_report_size(m->page) / 1e6 +
                    2 * 4.0 / 3 * 4 * (double)(m->view.nx * m->view.ny) / 1e6 + 0.1);
}

/* Further curves from the next one on, while the report is not larger than `most`. */
static enum status add_further(struct making *m, struct curve_case *c, size_t most,
                               struct report *rep)
{
    if (*m->no_curves || m->count.curves < m->picks.needed) return ST_OK;
    html_report_limit(m->page, most);
    enum status st = add_curves(m, c, m->count.curves, m->picks.n, rep);
    html_report_limit(m->page, m->most);
    return st;
}

/* The first map; the curves that every report has; more curves in up to a quarter of the room, so
 * that a click on a large map has something near; the other maps; more curves. */
static enum status fill(struct making *m, struct curve_case *c, struct report *rep)
{
    enum status st = add_facts(m, rep);
    if (st == ST_OK) st = add_maps(m, 0, 1, rep);
    if (st == ST_OK && m->count.maps == 0) st = too_small(m, rep);
    if (st == ST_OK) st = open_curves(m, c, rep);
    if (st == ST_OK)
        st = picks_make(&m->picks, &m->view, m->asked, m->wish->n_pixels, m->further, rep);
    if (st == ST_OK && !*m->no_curves) st = add_curves(m, c, 0, m->picks.needed, rep);
    size_t quarter = html_report_size(m->page) + m->most / 4;
    if (st == ST_OK) st = add_further(m, c, quarter < m->most ? quarter : m->most, rep);
    if (st == ST_OK) st = add_maps(m, 1, m->n_maps, rep);
    if (st == ST_OK) st = add_further(m, c, m->most, rep);
    if (!*m->no_curves) m->count.curves_left = m->picks.n - m->count.curves;
    return st;
}

static enum status make_page(struct making *m, struct report *rep)
{
    struct curve_case *c = calloc(1, sizeof *c);
    if (!c) return fail(rep, ST_MEMORY, "not enough memory for a report");
    enum status st = fill(m, c, rep);
    curve_case_close(c);
    free(c);
    return st;
}

static enum status add_cautions(struct making *m, struct report *rep)
{
    struct html_report *r = m->page;
    enum status st = report_caution_maps(r, &m->view, rep);
    if (st == ST_OK && *m->no_curves)
        st = html_report_caution(r, rep, "%s of the curves %s in this report: %s",
                                 m->count.curves ? "Some" : "None",
                                 m->count.curves ? "are not" : "is", m->no_curves);
    if (st == ST_OK && m->count.maps_left)
        st = html_report_caution(r, rep,
                                 "%zu of %zu maps found no room in %g MB and are left out; "
                                 "--max-size allows more.",
                                 m->count.maps_left, m->n_maps, (double)m->most / 1e6);
    if (st == ST_OK && m->count.curves_left)
        st = html_report_caution(r, rep,
                                 "%zu of %zu curves found no room in %g MB and are left out; "
                                 "--max-size allows more.",
                                 m->count.curves_left, m->picks.n, (double)m->most / 1e6);
    if (st == ST_OK && m->count.thinned)
        st = html_report_caution(r, rep,
                                 "Of %zu curves not all samples are in this report, but every "
                                 "second, third, ... one; the fit used all.",
                                 m->count.thinned);
    if (st == ST_OK && m->count.copied)
        st = html_report_caution(
            r, rep,
            "%zu of %zu curves are of pixels that a refit copied: their results are those of the "
            "file it started from, the fit drawn here is by the recipe of this one.",
            m->count.copied, m->count.curves);
    if (st == ST_OK && m->count.differ)
        st = html_report_caution(
            r, rep,
            "%zu of %zu curves, computed again, do not give the numbers of the map file: the "
            "volume or the program is another one than when the maps were made.",
            m->count.differ, m->count.curves);
    return st;
}

/* --- the file --- */

static enum status write_file(struct making *m, struct report *rep)
{
    struct whole_file w;
    FILE *out;
    enum status st = whole_begin(&w, m->path, m->wish->from.file, m->wish->overwrite,
                                 html_report_size(m->page), rep);
    if (st != ST_OK) return st;
    st = whole_open(&w, &out, rep);
    if (st == ST_OK) {
        st = html_report_write(m->page, out, rep);
        m->size = (size_t)ftell(out);
        if (st != ST_OK) st = within(rep, st, "%s: ", m->path);
        enum status closed = whole_close(&w, &out, st == ST_OK ? rep : &(struct report){""});
        if (st == ST_OK) st = closed;
    }
    return whole_finish(&w, st, rep);
}

static void announce(const struct making *m)
{
    char name[512];
    describe_name(m->path, name);
    printf("report: %s (%.1f MB, %zu map%s, %zu curve%s)\n", name, (double)m->size / 1e6,
           m->count.maps, m->count.maps == 1 ? "" : "s", m->count.curves,
           m->count.curves == 1 ? "" : "s");
    if (*m->no_curves)
        printf("without %scurves: %s\n", m->count.curves ? "some " : "", m->no_curves);
    if (m->count.maps_left || m->count.curves_left)
        printf("left out for size: %zu maps, %zu curves; --max-size allows more\n",
               m->count.maps_left, m->count.curves_left);
    if (m->count.differ)
        printf("caution: %zu curves, computed again, do not give the numbers of the map file\n",
               m->count.differ);
}

static enum status run(struct making *m, struct report *rep)
{
    enum status st = read_path(m, rep);
    if (st == ST_OK) st = maps_view_load(&m->view, m->wish->from.file, rep);
    if (st == ST_OK) st = read_numbers(m, rep);
    if (st == ST_OK) st = read_pixels(m, rep);
    if (st == ST_OK) st = read_maps(m, rep);
    if (st == ST_OK) st = html_report_new(&m->page, &m->view, m->most, rep);
    if (st == ST_OK) st = make_page(m, rep);
    if (st == ST_OK) st = add_cautions(m, rep);
    if (st == ST_OK) st = write_file(m, rep);
    if (st == ST_OK) announce(m);
    html_report_free(&m->page);
    picks_free(&m->picks);
    free(m->asked);
    maps_view_free(&m->view);
    return st;
}

enum status command_report(int argc, char **argv, const struct world *world, struct report *rep)
{
    const struct argp argp = {options, parse, "MAPS.h5 [MAP...]", doc, NULL, NULL, NULL};
    struct report_wish *wish = calloc(1, sizeof *wish);
    struct making *m = calloc(1, sizeof *m);
    bool done = false;
    enum status st = wish && m ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for a report");
    if (st == ST_OK) st = options_parse(&argp, argc, argv, world, wish, &done, rep);
    if (st == ST_OK && !done && world->rank == 0) {
        m->wish = wish;
        if (!wish->from.file)
            st = fail(rep, ST_USAGE, "which map file? Write: cantle report MAPS.h5");
        else if (wish->too_many)
            st = fail(rep, ST_USAGE, "too many maps or pixels at once");
        else
            st = run(m, rep);
    }
    free(m);
    free(wish);
    return st;
}
