/* What of a map file the page has to know before any plane of numbers. */
#include "base/units.h"
#include "figure/palette.h"
#include "report/report_private.h"

#include <math.h>

enum { COLOURS = 256 };

static json_t *axis_json(const double *m, size_t n)
{
    json_t *out = json_array();
    for (size_t i = 0; i < n; i++)
        json_array_append_new(out, number_json(round(m[i] * 1e12) / 1e6)); /* um, to the pm */
    return out;
}

static json_t *colour_json(uint32_t rgb)
{
    char text[8];
    snprintf(text, sizeof text, "#%06x", (unsigned)rgb & 0xffffff);
    return json_string(text);
}

/* The colours of the figures: one look for all that the program draws. */
static json_t *colours_json(void)
{
    json_t *map = json_array(), *series = json_array();
    for (int i = 0; i < COLOURS; i++)
        json_array_append_new(map, colour_json(palette_map((double)i / (COLOURS - 1))));
    for (int i = 0; i < 7; i++)
        json_array_append_new(series, colour_json(palette_series(i)));
    return json_pack("{s:o, s:o, s:o, s:o}", "map", map, "series", series, "rejected",
                     colour_json(COLOUR_REJECTED), "empty", colour_json(COLOUR_EMPTY));
}

static json_t *states_json(const struct maps_view *view)
{
    json_t *out = json_array();
    for (int i = 0; i < STATE_COUNT; i++)
        json_array_append_new(out, json_pack("{s:s, s:s, s:I}", "name", state_rows[i].name, "words",
                                             state_rows[i].words, "count",
                                             (json_int_t)view->summary.state[i]));
    return out;
}

static json_t *flags_json(const struct maps_view *view)
{
    static const char *const effect[] = {
        [SEVERITY_NOTE] = "remark", [SEVERITY_DOUBT] = "doubtful", [SEVERITY_REJECT] = "rejected"};
    json_t *out = json_array();
    for (int i = 0; i < FLAG_COUNT; i++)
        json_array_append_new(
            out, json_pack("{s:s, s:s, s:s, s:I}", "name", flag_rows[i].name, "words",
                           flag_rows[i].words, "effect",
                           i == FLAGBIT_absent ? "absent" : effect[flag_rows[i].severity], "count",
                           (json_int_t)view->summary.flag[i]));
    return out;
}

static json_t *reasons_json(void)
{
    json_t *out = json_array();
    for (int i = 0; i < PICK_COUNT; i++)
        json_array_append_new(
            out, json_pack("{s:s, s:s}", "name", pick_rows[i].name, "words", pick_rows[i].words));
    return out;
}

enum status facts_of_view(struct html_report *r, struct report *rep)
{
    const struct maps_view *v = r->view;
    const struct {
        const char *name;
        json_t *value;
    } facts[] = {{"columns", json_integer((json_int_t)v->nx)},
                 {"rows", json_integer((json_int_t)v->ny)},
                 {"x_um", axis_json(v->x_m, v->nx)},
                 {"y_um", axis_json(v->y_m, v->ny)},
                 {"states", states_json(v)},
                 {"flags", flags_json(v)},
                 {"reasons", reasons_json()},
                 {"colours", colours_json()}};
    enum status st = ST_OK;
    for (size_t i = 0; i < sizeof facts / sizeof *facts; i++)
        if (st == ST_OK)
            st = html_report_fact(r, facts[i].name, facts[i].value, rep);
        else
            json_decref(facts[i].value);
    return st;
}

/* Numbers stay in the file's unit: what the page shows is what the file has. */
static json_t *map_json(const struct maps_view *v, enum map_id id, double from_si)
{
    const struct map_row *row = &map_rows[id];
    char label[64], words[160];
    map_label((int)id, label);
    map_words(&v->extent, (int)id, words);
    return json_pack("{s:s, s:s, s:s, s:s, s:s, s:f, s:s, s:b, s:I, s:o, s:o, s:o, s:o, s:o}",
                     "name", label, "words", words, "definition", row->definition, "unit",
                     v->unit[id], "si_unit", row->si_unit, "to_si", 1 / from_si, "scale",
                     row->scale == SCALE_LOG ? "log" : "linear", "errors", v->error[id] != NULL,
                     "n", (json_int_t)v->summary.map[id].n, "median",
                     number_json(v->summary.map[id].median * from_si), "q25",
                     number_json(v->summary.map[id].q25 * from_si), "q75",
                     number_json(v->summary.map[id].q75 * from_si), "low",
                     number_json(v->summary.map[id].low * from_si), "high",
                     number_json(v->summary.map[id].high * from_si));
}

enum status html_report_map(struct html_report *r, enum map_id id, bool *fits, struct report *rep)
{
    const struct maps_view *v = r->view;
    const size_t n = v->nx * v->ny, bytes = n * sizeof(float);
    char name[80], label[64];
    double from_si;
    size_t needed = block_size(bytes) * (v->error[id] ? 2 : 1) + 1024;
    *fits = r->used + needed <= r->most;
    if (!*fits) return ST_OK;
    enum status st = units_from_si(map_rows[id].si_unit, v->unit[id], &from_si, rep);
    map_label((int)id, label);
    if (st != ST_OK) return within(rep, st, "%s: /entry/maps/%s: ", v->path, label);
    snprintf(name, sizeof name, "plane-%s", label);
    st = block_add(r, name, v->map[id], sizeof(float), n, rep);
    snprintf(name, sizeof name, "plane-%s_errors", label);
    if (st == ST_OK && v->error[id]) st = block_add(r, name, v->error[id], sizeof(float), n, rep);
    return st == ST_OK ? list_add(r, r->maps, map_json(v, id, from_si), rep) : st;
}
