#include "command/describe.h"

#include "base/guard.h"
#include "base/units.h"
#include "base/words.h"
#include "command/tip_words.h"
#include "maps/h5get.h"
#include "maps/maps.h"
#include "volume/attributes.h"
#include "volume/source.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What the view does not hold: the calibration used and the fit, from /entry. */
struct used {
    struct lever lever;
    char origin[LEVER_COUNT][16];
    char *model, *segment, *space;
    double drift_m; /* a walk that was learnt; NaN = not looked for */
};

static void used_free(struct used *u)
{
    free(u->model);
    free(u->segment);
    free(u->space);
}

static enum status read_used(struct source *s, struct used *u, int item, struct report *rep)
{
    char name[96];
    struct dataset d;
    struct known *k = &u->lever.item[item];
    bool there;
    snprintf(name, sizeof name, "/entry/process_1_calibration/%s", lever_rows[item].name);
    enum status st = source_has(s, name, &there, rep);
    if (st != ST_OK || !there) return st;
    if ((st = dataset_open(&d, s, name, rep)) != ST_OK) return st;
    st = dataset_scalar(&d, lever_rows[item].si_unit, &k->value, NULL, rep);
    if (st == ST_OK) st = attribute_numbers(d.id, "standard_uncertainty", &k->u, 1, &there, rep);
    if (st == ST_OK)
        st = attribute_text(d.id, "origin", u->origin[item], sizeof u->origin[item], rep);
    dataset_close(&d);
    return st;
}

#define DRIFT_STEP "/entry/process_2_contact_fit/drift_step"

static char *word_of(const struct source *s, const char *name)
{
    char path[96];
    snprintf(path, sizeof path, "/entry/process_2_contact_fit/%s", name);
    char *word = h5get_text(s->file, path);
    if (word) words_printable(word, '?');
    return word;
}

static enum status used_load(struct used *u, const char *path, struct report *rep)
{
    struct source s;
    *u = (struct used){0};
    lever_clear(&u->lever);
    guard_file(path);
    enum status st = source_open(&s, path, rep);
    for (int i = 0; i < LEVER_COUNT && st == ST_OK; i++)
        st = read_used(&s, u, i, rep);
    u->drift_m = NAN;
    if (st == ST_OK && h5get_has(s.file, DRIFT_STEP))
        st = h5get_reals(s.file, DRIFT_STEP, 0, &u->drift_m, rep);
    if (st == ST_OK) {
        u->model = word_of(&s, "model");
        u->segment = word_of(&s, "segment");
        u->space = word_of(&s, "fit_space");
    }
    source_close(&s);
    guard_file(NULL);
    return st == ST_OK ? st : within(rep, st, "%s: ", path);
}

/* A text of the run's provenance; "not known" where it is not. */
static const char *run_text(const json_t *run, const char *name)
{
    const char *text = json_string_value(json_object_get(run, name));
    return text && *text ? text : "not known";
}

/* --- text --- */

static void print_run(const struct maps_view *v, const json_t *run)
{
    describe_line("source", "%s", v->source_path);
    describe_line("", "content digest %s", *v->summary.digest ? v->summary.digest : "not known");
    describe_line("program", "cantle %s (%s)", run_text(run, "version"),
                  run_text(run, "source_revision"));
    describe_line("run", "%s", run_text(run, "command_line"));
    long long ranks = (long long)json_integer_value(json_object_get(run, "ranks"));
    describe_line("", "%lld rank%s on %s, from %s to %s", ranks, ranks == 1 ? "" : "s",
                  run_text(run, "host"), run_text(run, "start_time"), run_text(run, "end_time"));
}

/* What the file was made from, when another map file: the chain, last step first. */
static void print_refit(const struct maps_view *v)
{
    json_t *record = json_loads(v->refit_json, 0, NULL), *at = record, *one;
    size_t i;
    for (bool first = true; json_is_object(at); first = false, at = json_object_get(at, "before")) {
        char path[512], changed[256];
        const char *words = json_string_value(
            json_object_get(json_object_get(at, "parent"), "path"));
        describe_name(words ? words : "not known", path);
        describe_line(first ? "refit" : "", "%s %s, %lld pixels fitted again",
                      first ? "of" : "which is one of", path,
                      (long long)json_integer_value(json_object_get(at, "pixels_refitted")));
        json_array_foreach(json_object_get(at, "changed"), i, one)
        {
            const char *key = json_string_value(json_object_get(one, "key"));
            const char *old = json_string_value(json_object_get(one, "old"));
            const char *new = json_string_value(json_object_get(one, "new"));
            snprintf(changed, sizeof changed, "%s: %s -> %s", key ? key : "?",
                     old ? old : "not set", new ? new : "not set");
            words_printable(changed, '?');
            describe_line("", "  %s", changed);
        }
    }
    json_decref(record);
}

static void print_used(const struct used *u)
{
    char value[160];
    bool first = true;
    describe_line("fit", "model %s, %s, residual in %s", u->model ? u->model : "not known",
                  u->segment ? u->segment : "segment not known", u->space ? u->space : "not known");
    if (u->drift_m > 0) {
        units_show(u->drift_m, "m", 3, value, sizeof value);
        describe_line("", "the deflection walks by %s (rms) a sample, as many curves showed",
                      value);
    }
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct known *k = &u->lever.item[i];
        if (isnan(k->value)) continue;
        describe_known(k->value, k->u, lever_rows[i].si_unit, value, sizeof value);
        describe_line(first ? "calibration" : "", "%s: %s; from %s", lever_rows[i].words, value,
                      u->origin[i]);
        first = false;
    }
}

static void print_states(const struct maps_view *v)
{
    double all = (double)(v->ny * v->nx);
    for (int i = 0; i < STATE_COUNT; i++)
        if (v->summary.state[i])
            describe_line(i == STATE_pending || i == STATE_accepted ? "pixels" : "",
                          "%8zu  %5.1f %%  %-9s  %s", v->summary.state[i],
                          100 * (double)v->summary.state[i] / all, state_rows[i].name,
                          state_rows[i].words);
    bool first = true;
    for (int i = 0; i < FLAG_COUNT; i++) {
        if (!v->summary.flag[i]) continue;
        describe_line(first ? "flags" : "", "%8zu  %-18s  %s", v->summary.flag[i],
                      flag_rows[i].name, flag_rows[i].words);
        first = false;
    }
}

static void print_axes(const struct maps_view *v)
{
    char low[48], high[48];
    for (int axis = AXIS_none + 1; axis < AXIS_COUNT; axis++) {
        const size_t n = v->extent.length[axis];
        const double *at = v->extent.at[axis];
        if (n == 0) continue;
        describe_value(at[0], axis_rows[axis].si_unit, low, sizeof low);
        describe_value(at[n - 1], axis_rows[axis].si_unit, high, sizeof high);
        describe_line("axis", "%s: %zu layers, %s to %s (%s)", axis_rows[axis].name, n, low, high,
                      axis_rows[axis].words);
    }
}

static void print_maps(const struct maps_view *v)
{
    char median[48], low[48], high[48];
    describe_line("maps", "median [quartiles] of accepted and doubtful pixels");
    for (int i = 0; i < MAP_COUNT; i++) {
        const char *unit = map_rows[i].si_unit;
        char label[64];
        if (!v->map[i]) continue;
        map_label(i, label);
        describe_value(v->summary.map[i].median, unit, median, sizeof median);
        describe_value(v->summary.map[i].q25, unit, low, sizeof low);
        describe_value(v->summary.map[i].q75, unit, high, sizeof high);
        if (v->summary.map[i].n == 0)
            describe_line("", "%-28s no value", label);
        else
            describe_line("", "%-28s %12s  [%s, %s]%s", label, median, low, high,
                          v->error[i] ? "  with errors" : "");
    }
}

static void print_tip(const struct breaks *b)
{
    char words[400];
    if (!(b->level > 0)) return;
    if (!b->judged)
        describe_line("tip", "too few lines or columns with values to see whether it changed");
    else if (b->n == 0)
        describe_line("tip", "no change seen between %zu pairs of lines (smallest p %.2g)",
                      b->steps, b->smallest_p);
    for (size_t i = 0; i < b->n; i++) {
        tip_words(&b->at[i], words, sizeof words);
        describe_line(i == 0 ? "tip" : "", "%s", words);
    }
}

static enum status print_text(const struct maps_view *v, const struct used *u, const json_t *run,
                              struct report *rep)
{
    describe_line("map file", "%s%s", v->path,
                  v->summary.state[STATE_pending] ? " (not finished)" : "");
    describe_line("title", "%s", *v->title ? v->title : "none");
    describe_line("grid", "%zu columns x %zu rows, x %.4g to %.4g um, y %.4g to %.4g um", v->nx,
                  v->ny, v->x_m[0] * 1e6, v->x_m[v->nx - 1] * 1e6, v->y_m[0] * 1e6,
                  v->y_m[v->ny - 1] * 1e6);
    if (v->x_flipped || v->y_flipped)
        describe_line("", "%s%s%s in reverse order of the volume", v->y_flipped ? "rows" : "",
                      v->x_flipped && v->y_flipped ? " and " : "", v->x_flipped ? "columns" : "");
    print_run(v, run);
    print_refit(v);
    print_used(u);
    print_states(v);
    print_axes(v);
    print_maps(v);
    print_tip(&v->summary.tip);
    enum status st = describe_drift(v, NULL, rep);
    if (v->has_budget) describe_budget(&v->budget);
    return st;
}

/* --- JSON --- */

static json_t *json_maps(const struct maps_view *v)
{
    json_t *out = json_object();
    for (int i = 0; i < MAP_COUNT; i++) {
        char label[64];
        if (!v->map[i]) continue;
        map_label(i, label);
        json_object_set_new(out, label,
                            json_pack("{s:s, s:s, s:b, s:I, s:o, s:o, s:o, s:o, s:o}", "unit",
                                      map_rows[i].si_unit, "unit_in_file", v->unit[i], "errors",
                                      v->error[i] != NULL, "n", (json_int_t)v->summary.map[i].n,
                                      "median", describe_real(v->summary.map[i].median), "q25",
                                      describe_real(v->summary.map[i].q25), "q75",
                                      describe_real(v->summary.map[i].q75), "q02",
                                      describe_real(v->summary.map[i].low), "q98",
                                      describe_real(v->summary.map[i].high)));
    }
    return out;
}

static json_t *json_used(const struct used *u)
{
    json_t *out = json_object();
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct known *k = &u->lever.item[i];
        if (isnan(k->value)) continue;
        json_object_set_new(out, lever_rows[i].name,
                            json_pack("{s:f, s:o, s:s, s:s}", "value", k->value,
                                      "standard_uncertainty", describe_real(k->u), "unit",
                                      lever_rows[i].si_unit, "origin", u->origin[i]));
    }
    return out;
}

/* Further axes that the file has, with their coordinates in SI. */
static json_t *json_axes(const struct maps_view *v)
{
    json_t *out = json_object();
    for (int axis = AXIS_none + 1; axis < AXIS_COUNT; axis++) {
        json_t *at = json_array();
        for (size_t i = 0; i < v->extent.length[axis]; i++)
            json_array_append_new(at, json_real(v->extent.at[axis][i]));
        if (v->extent.length[axis])
            json_object_set_new(out, axis_rows[axis].name,
                                json_pack("{s:s, s:O}", "unit", axis_rows[axis].si_unit, "at", at));
        json_decref(at);
    }
    return out;
}

static json_t *json_fit(const struct used *u)
{
    return json_pack("{s:s?, s:s?, s:s?, s:o}", "model", u->model, "segment", u->segment, "space",
                     u->space, "drift_step_m", describe_real(u->drift_m));
}

static enum status print_json(const struct maps_view *v, const struct used *u, json_t *run,
                              struct report *rep)
{
    json_t *states = json_object(), *flags = json_object(), *drift = NULL;
    enum status st = describe_drift(v, &drift, rep);
    if (st != ST_OK) return st;
    for (int i = 0; i < STATE_COUNT; i++)
        json_object_set_new(states, state_rows[i].name,
                            json_integer((json_int_t)v->summary.state[i]));
    for (int i = 0; i < FLAG_COUNT; i++)
        json_object_set_new(flags, flag_rows[i].name, json_integer((json_int_t)v->summary.flag[i]));
    json_t *refit = json_loads(v->refit_json, 0, NULL);
    if (!refit) refit = json_null();
    json_t *fit = json_fit(u);
    json_t *grid = json_pack("{s:I, s:I, s:[f, f], s:[f, f], s:b, s:b}", "columns",
                             (json_int_t)v->nx, "rows", (json_int_t)v->ny, "x_m", v->x_m[0],
                             v->x_m[v->nx - 1], "y_m", v->y_m[0], v->y_m[v->ny - 1],
                             "columns_reversed", v->x_flipped, "rows_reversed", v->y_flipped);
    return describe_print(
        json_pack("{s:o, s:o, s:s, s:o, s:s, s:b, s:o, s:s, s:o, s:O, s:o, s:o, s:o, s:o, s:o, "
                  "s:o, s:o, s:o}",
                  "refit", refit, "drift", drift, "kind", "maps", "path", describe_text(v->path),
                  "title", v->title, "finished", v->summary.state[STATE_pending] == 0, "source",
                  describe_text(v->source_path), "digest", v->summary.digest, "grid", grid, "run",
                  run, "fit", fit, "calibration", json_used(u), "tip", tip_json(&v->summary.tip),
                  "states", states, "flags", flags, "maps", json_maps(v), "axes", json_axes(v),
                  "uncertainty", v->has_budget ? describe_budget_json(&v->budget) : json_null()),
        rep);
}

enum status describe_used_json(const char *path, json_t **fit, json_t **calibration,
                               struct report *rep)
{
    struct used u = {0};
    enum status st = used_load(&u, path, rep);
    *fit = st == ST_OK ? json_fit(&u) : NULL;
    *calibration = st == ST_OK ? json_used(&u) : NULL;
    used_free(&u);
    return st;
}

enum status describe_map(const char *path, bool json, struct report *rep)
{
    struct maps_view v = {0};
    struct used u = {0};
    json_t *run = NULL;
    enum status st = maps_view_load(&v, path, rep);
    if (st != ST_OK) return st;
    if ((st = used_load(&u, path, rep)) != ST_OK) goto done;
    run = json_loads(v.provenance_json, 0, NULL);
    if (!run) run = json_object();
    if (json)
        st = print_json(&v, &u, run, rep);
    else
        st = print_text(&v, &u, run, rep);
done:
    json_decref(run);
    used_free(&u);
    maps_view_free(&v);
    return st;
}
