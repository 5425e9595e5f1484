#include "command/describe.h"
#include "command/volume_choice.h"

#include "base/units.h"
#include "contact/contact.h"
#include "doctor/doctor.h"
#include "grid/grid.h"
#include "volume/volume.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *const segment_words[SEG_COUNT] = {"approach", "dwell", "retract"};
static const char *const stage_words[] = {[STAGE_DETECTOR] = "detector",
                                          [STAGE_QUADRANTS] = "quadrants",
                                          [STAGE_DEFLECTION] = "deflection",
                                          [STAGE_FORCE] = "force"};
static const char *const stage_units[] = {
    [STAGE_DETECTOR] = "V", [STAGE_QUADRANTS] = "V", [STAGE_DEFLECTION] = "m", [STAGE_FORCE] = "N"};
static const char *const z_words[] = {[Z_SHARED] = "one ramp for all curves",
                                      [Z_PER_CURVE] = "recorded with each curve",
                                      [Z_START_STEP] = "start and step"};
static const char *const z_keys[] = {
    [Z_SHARED] = "shared", [Z_PER_CURVE] = "per_curve", [Z_START_STEP] = "start_step"};

/* --- what can be read from a look at one curve --- */

struct range {
    double low, high;
};

/* The curve in the middle of the grid, or the next one that is there. */
struct example {
    size_t row, col;
    bool found;
    struct range z[SEG_COUNT], signal[SEG_COUNT];
    size_t clipped[SEG_COUNT], n[SEG_COUNT], missing[SEG_COUNT];
};

static struct range range_of(const double *x, size_t n, size_t *missing)
{
    struct range r = {NAN, NAN};
    for (size_t i = 0; i < n; i++) {
        r.low = fmin(r.low, x[i]);
        r.high = fmax(r.high, x[i]);
        *missing += isnan(x[i]) != 0;
    }
    return r;
}

static void take_example(const struct raw_curve *c, struct example *e)
{
    size_t ignored = 0;
    for (int id = 0; id < SEG_COUNT; id++) {
        const struct raw_segment *s = &c->seg[id];
        size_t width = c->stage[id] == STAGE_QUADRANTS ? 4 : 1;
        e->n[id] = s->n;
        e->clipped[id] = s->clipped;
        e->signal[id] = range_of(s->signal, s->n * width, &e->missing[id]);
        e->z[id] = range_of(s->z_m, s->n, &ignored);
    }
}

static enum status find_example(struct volume *v, struct example *e, struct report *rep)
{
    const struct volume_facts *f = volume_facts(v);
    size_t across = (f->nx + f->tile_cols - 1) / f->tile_cols;
    size_t index = f->ny / 2 / f->tile_rows * across + f->nx / 2 / f->tile_cols;
    struct tile t = volume_tile(v, index);
    enum status st = volume_read_tile(v, t, rep);
    size_t pixels = t.rows * t.cols;
    size_t first = (f->ny / 2 - t.row0) * t.cols + f->nx / 2 - t.col0;
    *e = (struct example){0};
    for (size_t i = 0; st == ST_OK && i < pixels && !e->found; i++) {
        struct raw_curve c;
        size_t pixel = (first + i) % pixels;
        e->row = t.row0 + pixel / t.cols;
        e->col = t.col0 + pixel % t.cols;
        volume_curve(v, e->row, e->col, &c);
        e->found = !c.absent;
        if (e->found) take_example(&c, e);
    }
    return st;
}

/* --- what is missing --- */

/* Names of the values that the model needs and the volume does not give; returns how many. */
static size_t missing_for(const struct volume_facts *f, const struct contact_model *m,
                          const char *names[LEVER_COUNT + 1])
{
    enum segment_id id = m->segments & SEGMENT_APPROACH ? SEG_APPROACH : SEG_RETRACT;
    size_t n = 0;
    const struct known *known = f->lever.item;
    if (!f->seg[id].there) names[n++] = "retract";
    enum signal_stage stage = f->seg[id].there ? f->seg[id].stage : f->seg[SEG_APPROACH].stage;
    enum lever_item sensitivity = stage == STAGE_DETECTOR ? LEVER_deflection_sensitivity
                                                          : LEVER_quadrant_sensitivity;
    if ((stage == STAGE_DETECTOR || stage == STAGE_QUADRANTS) && isnan(known[sensitivity].value))
        names[n++] = lever_rows[sensitivity].name;
    if (isnan(known[LEVER_spring_constant].value))
        names[n++] = lever_rows[LEVER_spring_constant].name;
    for (int i = 0; i < LEVER_COUNT; i++) {
        bool mapped = i == LEVER_sample_thickness && f->lever.thickness_by_pixel;
        if (m->needs >> i & 1 && isnan(known[i].value) && !mapped) names[n++] = lever_rows[i].name;
    }
    return n;
}

/* What slows reading down; "" when nothing does. */
static void advice_for(const struct segment_facts *s, const char *name, char *out, size_t size)
{
    *out = 0;
    if (!s->there || !s->chunked) return;
    double bytes = (double)s->sample_bytes / (double)s->n * (double)s->chunk[0] *
                   (double)s->chunk[1] * (double)s->chunk[2];
    if (s->chunk[2] < s->n)
        snprintf(
            out, size,
            "%s: chunks hold %zu of %zu samples of a curve, so each curve is put together from "
            "pieces: slow. Store chunks of whole curves, 0.25 to 4 MiB",
            name, s->chunk[2], s->n);
    else if (bytes > 8.0 * 1048576)
        snprintf(
            out, size,
            "%s: chunks of %.0f MiB are larger than a tile, several ranks unpack each of them: "
            "slow. Store chunks of whole curves, 0.25 to 4 MiB",
            name, bytes / 1048576);
    else if (bytes < 16384 && bytes < (double)s->sample_bytes * 2)
        snprintf(out, size,
                 "%s: chunks of %.1f KiB are small, each costs a look-up. Store some neighbouring "
                 "curves in a chunk, 0.25 to 4 MiB",
                 name, bytes / 1024);
}

/* Distance of neighbours if all are equal to a thousandth, else NaN. */
static double step_of(const double *x, size_t n)
{
    double mean = n > 1 ? (x[n - 1] - x[0]) / (double)(n - 1) : NAN;
    for (size_t i = 1; i < n; i++)
        if (!(fabs(x[i] - x[i - 1] - mean) <= 1e-3 * fabs(mean))) return NAN;
    return fabs(mean);
}

static double extent_of(const double *x, size_t n)
{
    return n > 1 ? fabs(x[n - 1] - x[0]) * (double)n / (double)(n - 1) : NAN;
}

/* --- text --- */

static void print_grid(const struct volume_facts *f)
{
    double wide = extent_of(f->x_m, f->nx), high = extent_of(f->y_m, f->ny);
    double step_x = step_of(f->x_m, f->nx), step_y = step_of(f->y_m, f->ny);
    char px[48], py[48];
    units_show(step_x, "m", 4, px, sizeof px);
    units_show(step_y, "m", 4, py, sizeof py);
    describe_line("grid", "%zu columns x %zu rows", f->nx, f->ny);
    if (isfinite(wide) && isfinite(high))
        describe_line("", "%.4g um x %.4g um", wide * 1e6, high * 1e6);
    describe_line("", "pixel %s x %s%s", f->nx > 1 && isnan(step_x) ? "of unequal width" : px,
                  f->ny > 1 && isnan(step_y) ? "of unequal height" : py,
                  f->nx == 1 || f->ny == 1 ? " (a single row or column has no distance)" : "");
    describe_line("curves", "%zu, %zu absent", f->nx * f->ny - f->n_absent, f->n_absent);
}

static void print_storage(const struct segment_facts *s)
{
    char bytes[32];
    describe_bytes((double)s->stored_bytes, bytes);
    if (!s->chunked) {
        describe_line("", "storage: contiguous, %s", bytes);
        return;
    }
    describe_line("", "storage: chunks of %zu x %zu pixels x %zu samples%s%s, %s", s->chunk[0],
                  s->chunk[1], s->chunk[2], s->deflate ? ", deflate" : "",
                  s->shuffle ? ", shuffle" : "", bytes);
}

static void print_example(const struct example *e, enum segment_id id, enum signal_stage stage)
{
    char low[48], high[48];
    if (!e->found || e->n[id] == 0) return;
    describe_value(e->z[id].low, "m", low, sizeof low);
    describe_value(e->z[id].high, "m", high, sizeof high);
    describe_line("", "column %zu, row %zu: %zu samples, z from %s to %s,", e->col, e->row,
                  e->n[id], low, high);
    describe_value(e->signal[id].low, stage_units[stage], low, sizeof low);
    describe_value(e->signal[id].high, stage_units[stage], high, sizeof high);
    describe_line("", "  signal from %s to %s, %zu clipped, %zu missing", low, high, e->clipped[id],
                  e->missing[id]);
}

static void print_segment(const struct volume_facts *f, enum segment_id id, const struct example *e)
{
    const struct segment_facts *s = &f->seg[id];
    char interval[48] = "";
    if (!s->there) {
        describe_line(segment_words[id], "not there");
        return;
    }
    if (isfinite(s->sample_interval_s))
        snprintf(interval, sizeof interval, ", one each %.4g ms", s->sample_interval_s * 1e3);
    describe_line(segment_words[id], "%zu samples%s%s", s->n,
                  s->has_lengths ? " at most, each curve has its own length" : "", interval);
    describe_line("", "signal: %s, in %s, stored as %s%s", stage_words[s->stage], s->units, s->type,
                  s->negative_repulsion ? ", falls under repulsion" : "");
    describe_line("", "z: %s%s; stored numbers grow %s the sample", z_words[s->z_kind],
                  f->has_z_offset ? ", with an offset of each pixel" : "",
                  s->z_sense > 0 ? "towards" : "away from");
    if (s->has_lateral)
        describe_line(
            "",
            "lateral signal is there (analysed where the recipe's section lateral asks for it)");
    print_storage(s);
    print_example(e, id, s->stage);
}

static void print_calibration(const struct volume_facts *f)
{
    char value[160];
    bool any = false;
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct known *k = &f->lever.item[i];
        if (isnan(k->value)) continue;
        describe_known(k->value, k->u, lever_rows[i].si_unit, value, sizeof value);
        describe_line(any ? "" : "calibration", "%s: %s", lever_rows[i].words, value);
        any = true;
    }
    if (f->lever.substrate_marked) {
        describe_line(any ? "" : "calibration", "pixels of bare substrate are marked");
        any = true;
    }
    if (f->lever.thickness_by_pixel) {
        describe_line(any ? "" : "calibration", "thickness of the sample at each pixel");
        any = true;
    }
    if (!any) describe_line("calibration", "none in the file; give it in the recipe");
}

static void print_models(const struct volume_facts *f)
{
    const char *names[LEVER_COUNT + 1];
    for (int i = 0; i < CONTACT_COUNT; i++) {
        const struct contact_model *m = contact_at(i);
        size_t n = missing_for(f, m, names);
        char list[256] = "";
        for (size_t k = 0; k < n; k++)
            snprintf(list + strlen(list), sizeof list - strlen(list), "%s%s", k ? ", " : "",
                     names[k]);
        describe_line(i ? "" : "models", "%-11s %s%s", m->name, n ? "needs " : "ready", list);
    }
}

static void print_diagnosis(const struct diagnosis *d)
{
    for (size_t i = 0; i < d->n; i++) {
        const struct finding *f = &d->finding[i];
        describe_line("warning", "%s (%s)", trouble_rows[f->trouble].words,
                      evidence_words[f->evidence]);
        describe_line("", "seen: %s", f->reason);
        describe_line("", "to do: %s", f->correction);
    }
    for (size_t i = 0; i < d->n_unsure; i++)
        describe_line(i ? "" : "cannot tell", "%s", d->unsure[i].text);
}

static enum status print_text(struct volume *v, const struct example *e, const struct diagnosis *d)
{
    const struct volume_facts *f = volume_facts(v);
    char bytes[32], memory[32], advice[256];
    describe_bytes((double)f->file_bytes, bytes);
    describe_bytes((double)grid_memory(f), memory);
    describe_line("volume", "%s (%s)", f->path, bytes);
    describe_line("title", "%s", *f->title ? f->title : "none");
    if (*f->made_from)
        describe_line("made from", "%s (digest %s)", f->made_from,
                      *f->source_digest ? f->source_digest : "not stated");
    print_grid(f);
    for (int id = 0; id < SEG_COUNT; id++)
        print_segment(f, (enum segment_id)id, e);
    print_calibration(f);
    print_models(f);
    describe_line("work",
                  "%zu tile%s of up to %zu rows x %zu columns; each rank needs about %s of memory",
                  volume_tile_count(v), volume_tile_count(v) == 1 ? "" : "s", f->tile_rows,
                  f->tile_cols, memory);
    for (int id = 0; id < SEG_COUNT; id++) {
        advice_for(&f->seg[id], segment_words[id], advice, sizeof advice);
        if (*advice) describe_line("advice", "%s", advice);
    }
    print_diagnosis(d);
    return ST_OK;
}

/* --- JSON --- */

static json_t *json_range(struct range r)
{
    return json_pack("[o, o]", describe_real(r.low), describe_real(r.high));
}

static json_t *json_storage(const struct segment_facts *s)
{
    json_t *chunk = json_null();
    if (s->chunked) {
        chunk = json_array();
        for (int i = 0; i < (s->stage == STAGE_QUADRANTS ? 4 : 3); i++)
            json_array_append_new(chunk, json_integer((json_int_t)s->chunk[i]));
    }
    return json_pack("{s:s, s:o, s:b, s:b, s:I}", "layout", s->chunked ? "chunked" : "contiguous",
                     "chunk", chunk, "deflate", s->deflate, "shuffle", s->shuffle, "bytes",
                     (json_int_t)s->stored_bytes);
}

static json_t *json_segment(const struct segment_facts *s, const struct example *e, int id)
{
    json_t *out = json_pack(
        "{s:I, s:s, s:s, s:s, s:s, s:s, s:s, s:b, s:b, s:o, s:o}", "samples", (json_int_t)s->n,
        "stage", stage_words[s->stage], "units", s->units, "type", s->type, "repulsion",
        s->negative_repulsion ? "negative" : "positive", "z_kind", z_keys[s->z_kind], "z_direction",
        s->z_sense > 0 ? "toward_sample" : "away_from_sample", "own_lengths", s->has_lengths,
        "lateral", s->has_lateral, "sample_interval_s", describe_real(s->sample_interval_s),
        "storage", json_storage(s));
    if (out && e->found)
        json_object_set_new(
            out, "example",
            json_pack("{s:I, s:I, s:I, s:o, s:o, s:I, s:I}", "column", (json_int_t)e->col, "row",
                      (json_int_t)e->row, "samples", (json_int_t)e->n[id], "z_m",
                      json_range(e->z[id]), "signal", json_range(e->signal[id]), "clipped",
                      (json_int_t)e->clipped[id], "missing", (json_int_t)e->missing[id]));
    return out;
}

static json_t *json_calibration(const struct volume_facts *f)
{
    json_t *out = json_object();
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct known *k = &f->lever.item[i];
        if (isnan(k->value)) continue;
        json_object_set_new(out, lever_rows[i].name,
                            json_pack("{s:f, s:o, s:s}", "value", k->value, "standard_uncertainty",
                                      describe_real(k->u), "unit", lever_rows[i].si_unit));
    }
    return out;
}

static json_t *json_models(const struct volume_facts *f)
{
    const char *names[LEVER_COUNT + 1];
    json_t *out = json_object();
    for (int i = 0; i < CONTACT_COUNT; i++) {
        size_t n = missing_for(f, contact_at(i), names);
        json_t *missing = json_array();
        for (size_t k = 0; k < n; k++)
            json_array_append_new(missing, json_string(names[k]));
        json_object_set_new(out, contact_at(i)->name,
                            json_pack("{s:b, s:o}", "ready", n == 0, "missing", missing));
    }
    return out;
}

static json_t *json_grid(const struct volume_facts *f)
{
    return json_pack("{s:I, s:I, s:o, s:o, s:o, s:o}", "columns", (json_int_t)f->nx, "rows",
                     (json_int_t)f->ny, "width_m", describe_real(extent_of(f->x_m, f->nx)),
                     "height_m", describe_real(extent_of(f->y_m, f->ny)), "pixel_x_m",
                     describe_real(step_of(f->x_m, f->nx)), "pixel_y_m",
                     describe_real(step_of(f->y_m, f->ny)));
}

static json_t *json_warnings(const struct diagnosis *d)
{
    json_t *list = json_array();
    for (size_t i = 0; i < d->n; i++)
        json_array_append_new(list, json_pack("{s:s, s:s, s:s, s:s, s:s}", "name",
                                              trouble_rows[d->finding[i].trouble].name, "words",
                                              trouble_rows[d->finding[i].trouble].words, "evidence",
                                              evidence_words[d->finding[i].evidence], "reason",
                                              d->finding[i].reason, "correction",
                                              d->finding[i].correction));
    return list;
}

static json_t *json_unsure(const struct diagnosis *d)
{
    json_t *list = json_array();
    for (size_t i = 0; i < d->n_unsure; i++)
        json_array_append_new(list, json_string(d->unsure[i].text));
    return list;
}

static enum status print_json(struct volume *v, const struct example *e, const struct diagnosis *d,
                              struct report *rep)
{
    const struct volume_facts *f = volume_facts(v);
    char advice[256];
    json_t *segments = json_object(), *hints = json_array();
    for (int id = 0; id < SEG_COUNT; id++) {
        if (f->seg[id].there)
            json_object_set_new(segments, segment_words[id], json_segment(&f->seg[id], e, id));
        advice_for(&f->seg[id], segment_words[id], advice, sizeof advice);
        if (*advice) json_array_append_new(hints, json_string(advice));
    }
    json_t *tiles = json_pack("{s:I, s:I, s:I, s:I}", "count", (json_int_t)volume_tile_count(v),
                              "rows", (json_int_t)f->tile_rows, "columns", (json_int_t)f->tile_cols,
                              "bytes", (json_int_t)f->tile_bytes);
    return describe_print(
        json_pack("{s:s, s:o, s:s, s:s, s:s, s:I, s:o, s:I, s:I, s:b, s:o, s:o, s:o, s:o, s:I, "
                  "s:o, s:o, s:o}",
                  "kind", "volume", "path", describe_text(f->path), "title", f->title, "made_from",
                  f->made_from, "source_digest", f->source_digest, "bytes",
                  (json_int_t)f->file_bytes, "grid", json_grid(f), "curves",
                  (json_int_t)(f->nx * f->ny - f->n_absent), "absent", (json_int_t)f->n_absent,
                  "z_offset", f->has_z_offset, "segments", segments, "calibration",
                  json_calibration(f), "models", json_models(f), "tiles", tiles,
                  "memory_per_rank_bytes", (json_int_t)grid_memory(f), "advice", hints, "warnings",
                  json_warnings(d), "cannot_tell", json_unsure(d)),
        rep);
}

enum status describe_open_volume(struct volume *v, bool json, struct report *rep)
{
    struct example e;
    struct diagnosis d;
    enum status st = find_example(v, &e, rep);
    if (st == ST_OK) st = doctor_examine(v, &d, rep);
    return st != ST_OK ? st : json ? print_json(v, &e, &d, rep) : print_text(v, &e, &d);
}

enum status describe_volume(const char *path, const char *mapping, bool json, struct report *rep)
{
    struct volume *v = NULL;
    enum status st = volume_choice_open(&v, path, mapping, NULL, rep);
    if (st == ST_OK) st = describe_open_volume(v, json, rep);
    volume_close(&v);
    return st;
}
