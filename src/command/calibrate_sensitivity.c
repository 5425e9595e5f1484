/* The deflection sensitivity: from curves on a rigid surface, or from thermal noise. */
#include "base/units.h"
#include "calibration/contact_line.h"
#include "command/calibrate.h"
#include "command/calibrate_pixels.h"
#include "command/describe.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum side { APPROACH, RETRACT, SIDES };
static const enum segment_id segment_of[SIDES] = {SEG_APPROACH, SEG_RETRACT};
static const char *const side_words[SIDES] = {"approach", "retract"};

/* --- the curves --- */

struct lines {
    const struct calibrate_wish *wish;
    const struct volume_facts *facts;
    bool wanted[SIDES];
    double unit;    /* what one metre of a deflection was in volts; 1 for volts and quadrants */
    size_t n, room; /* pixels in the chosen part */
    struct contact_line *line[SIDES]; /* [n] */
    struct pixel_place *place;        /* [n] */
    double *z, *signal, *scratch;     /* [longest], [longest], [2 longest or 2 pixels] */
    struct line_summary sum[SIDES];
};

static double signal_at(const struct lines *l, enum signal_stage stage, const double *signal,
                        size_t i)
{
    if (stage != STAGE_QUADRANTS) return l->unit * signal[i];
    const double *v = signal + 4 * i;
    double sum = v[0] + v[1] + v[2] + v[3];
    return fabs(sum) > 0 ? (v[0] + v[1] - v[2] - v[3]) / sum : NAN;
}

static void fit_side(struct lines *l, enum side side, const struct raw_curve *raw,
                     struct contact_line *out)
{
    enum segment_id id = segment_of[side];
    const struct raw_segment *s = &raw->seg[id];
    struct line_window window = {l->wish->from, l->wish->to};
    for (size_t k = 0; k < s->n; k++) {
        size_t i = side == RETRACT ? s->n - 1 - k : k; /* away from the surface first */
        l->z[k] = s->z_m[i];
        l->signal[k] = signal_at(l, raw->stage[id], s->signal, i);
    }
    contact_line_fit(l->z, l->signal, s->n, &window, l->scratch, out);
    if (raw->absent) out->fault = LINE_absent;
    if (s->clipped) out->fault = LINE_clipped;
}

static enum status take_curve(void *context, struct pixel_place at, const struct raw_curve *raw,
                              struct report *rep)
{
    struct lines *l = context;
    (void)rep;
    l->place[l->n] = at;
    for (int side = 0; side < SIDES; side++)
        if (l->wanted[side]) fit_side(l, (enum side)side, raw, &l->line[side][l->n]);
    l->n++;
    return ST_OK;
}

/* Volts as they are, or back to volts from a deflection. */
static enum status check_stage(struct lines *l, struct report *rep)
{
    const struct known *s = &l->facts->lever.item[LEVER_deflection_sensitivity];
    for (int side = 0; side < SIDES; side++) {
        const struct segment_facts *f = &l->facts->seg[segment_of[side]];
        if (!l->wanted[side]) continue;
        if (!f->there)
            return fail(rep, ST_INPUT, "has no %s segment; choose with --segment",
                        side_words[side]);
        if (f->stage == STAGE_FORCE)
            return fail(rep, ST_INPUT,
                        "/%s/signal holds forces; the sensitivity is found from detector volts, or "
                        "from deflections with the sensitivity they were made with",
                        side_words[side]);
        if (f->stage == STAGE_DEFLECTION && isnan(s->value))
            return fail(rep, ST_INPUT,
                        "/%s/signal holds deflections, but not the sensitivity that they were made "
                        "with: /calibration/deflection_sensitivity is missing",
                        side_words[side]);
        if (f->stage == STAGE_DEFLECTION) l->unit = 1 / s->value;
    }
    return ST_OK;
}

static enum status choose_sides(struct lines *l, struct report *rep)
{
    const char *word = l->wish->segment ? l->wish->segment : "both";
    bool both = strcmp(word, "both") == 0;
    for (int side = 0; side < SIDES; side++)
        l->wanted[side] = (both && (l->wish->segment || l->facts->seg[segment_of[side]].there)) ||
                          strcmp(word, side_words[side]) == 0;
    if (!l->wanted[APPROACH] && !l->wanted[RETRACT])
        return fail(rep, ST_USAGE, "--segment: '%s' is unknown, expected approach, retract or both",
                    word);
    return check_stage(l, rep);
}

static enum status make_room(struct lines *l, struct report *rep)
{
    size_t longest = 16, pixels = l->facts->nx * l->facts->ny;
    for (int s = 0; s < SEG_COUNT; s++)
        if (l->facts->seg[s].there && l->facts->seg[s].n > longest) longest = l->facts->seg[s].n;
    l->z = malloc(longest * sizeof *l->z);
    l->signal = malloc(longest * sizeof *l->signal);
    l->scratch = malloc(2 * (longest + pixels) * sizeof *l->scratch);
    l->place = malloc(pixels * sizeof *l->place);
    for (int side = 0; side < SIDES; side++)
        l->line[side] = calloc(pixels, sizeof *l->line[side]);
    return l->z && l->signal && l->scratch && l->place && l->line[APPROACH] && l->line[RETRACT]
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory for %zu curves", pixels);
}

static void free_lines(struct lines *l)
{
    free(l->z);
    free(l->signal);
    free(l->scratch);
    free(l->place);
    for (int side = 0; side < SIDES; side++)
        free(l->line[side]);
}

/* --- the result --- */

struct sensitivity {
    double value, u, u_random, gap, gap_u, curvature;
    double part[4]; /* relative: repeats, approach and retract, linearity, piezo */
};

static const char *const part_words[4] = {"repeats", "approach_against_retract", "linearity",
                                          "piezo"};

/* Friction and hysteresis push the two segments to either side: their mean, and the gap as a
 * uniform distribution between them. Likewise the detector's slope over the window. (JCGM
 * 100:2008, 4.3.7) */
static void combine(const struct lines *l, struct sensitivity *s)
{
    double sum = 0, var = 0, n = 0, s_of[SIDES] = {NAN, NAN}, u_of[SIDES] = {NAN, NAN};
    *s = (struct sensitivity){.gap = NAN, .gap_u = NAN};
    for (int side = 0; side < SIDES; side++) {
        const struct line_summary *m = &l->sum[side];
        if (!l->wanted[side] || m->curves == 0) continue;
        s_of[side] = 1 / m->slope;
        u_of[side] = m->u / m->slope;
        sum += s_of[side], var += u_of[side] * u_of[side], n += 1;
        s->curvature += m->curvature;
    }
    s->value = sum / n;
    s->curvature /= n;
    /* a curve's two segments share much of their scatter: as if all of it */
    s->part[0] = sqrt(var / n);
    s->u_random = s->part[0] * s->value;
    if (n > 1) {
        s->gap = s_of[APPROACH] / s_of[RETRACT] - 1;
        s->gap_u = sqrt(var);
        s->part[1] = fabs(s->gap) / (2 * sqrt(3));
    }
    s->part[2] = fabs(s->curvature) / (2 * sqrt(3));
    s->part[3] = isfinite(l->wish->z_scale_u) ? l->wish->z_scale_u : 0;
    for (int i = 0; i < 4; i++)
        s->u += s->part[i] * s->part[i];
    s->u = s->value * sqrt(s->u);
}

/* --- telling it --- */

static void tell_side(const struct lines *l, int side, const char *unit, struct calibrate_report *r)
{
    const struct line_summary *m = &l->sum[side];
    char value[48];
    double s = 1 / m->slope, bend_u = m->curvature_u;
    describe_value(s, unit, value, sizeof value);
    if (r->text) {
        describe_line(side_words[side],
                      "%s, standard error %.2g %% over %zu curves (scatter %.2g %%; the fits alone "
                      "would say %.2g %%)",
                      value, 100 * m->u / m->slope, m->curves, 100 * m->scatter / m->slope,
                      100 * m->fit_u / m->slope);
        describe_line(
            "",
            "  the detector's slope changes by %+.2g %% (standard error %.1g %%) along the "
            "window",
            100 * m->curvature, 100 * bend_u);
        if (m->memory > 0.5)
            describe_line("", "  neighbouring curves are alike (%.2f): something drifts",
                          m->memory);
    }
    json_object_set_new(r->json, side_words[side],
                        json_pack("{s:f, s:s, s:f, s:f, s:o, s:f, s:f, s:f, s:I}", "value", s,
                                  "unit", unit, "standard_error", m->u / m->slope * s, "fit_only",
                                  m->fit_u / m->slope * s, "scatter",
                                  describe_real(m->scatter / m->slope * s), "memory", m->memory,
                                  "slope_change", m->curvature, "slope_change_u", bend_u, "curves",
                                  (json_int_t)m->curves));
}

static void tell_left_out(const struct lines *l, struct calibrate_report *r)
{
    enum { SHOWN = 12 };
    json_t *list = json_array();
    size_t shown = 0, all = 0;
    for (size_t i = 0; i < l->n; i++)
        for (int side = 0; side < SIDES; side++) {
            const struct contact_line *c = &l->line[side][i];
            if (!l->wanted[side] || c->fault == LINE_none) continue;
            all++;
            json_array_append_new(list, json_pack("{s:I, s:I, s:s, s:s, s:o}", "row",
                                                  (json_int_t)l->place[i].row, "column",
                                                  (json_int_t)l->place[i].col, "segment",
                                                  side_words[side], "why", line_faults[c->fault],
                                                  "value", describe_real(1 / c->slope)));
            if (!r->text || shown++ >= SHOWN) continue;
            if (c->fault == LINE_outlier)
                describe_line(shown == 1 ? "left out" : "",
                              "row %zu, column %zu, %s: %s (%+.2g %%)", l->place[i].row,
                              l->place[i].col, side_words[side], line_faults[c->fault],
                              100 * (l->sum[side].slope / c->slope - 1));
            else
                describe_line(shown == 1 ? "left out" : "", "row %zu, column %zu, %s: %s",
                              l->place[i].row, l->place[i].col, side_words[side],
                              line_faults[c->fault]);
        }
    if (r->text && all > SHOWN) describe_line("", "... and %zu more", all - SHOWN);
    json_object_set_new(r->json, "left_out", list);
}

static void tell_parts(const struct sensitivity *s, struct calibrate_report *r)
{
    json_t *parts = json_object();
    for (int i = 0; i < 4; i++)
        json_object_set_new(parts, part_words[i], json_real(s->part[i] * s->value));
    json_object_set_new(r->json, "parts", parts);
    if (!r->text) return;
    describe_line("", "from: repeats %.2g %%, approach against retract %.2g %%, linearity %.2g %%",
                  100 * s->part[0], 100 * s->part[1], 100 * s->part[2]);
    if (isfinite(s->gap))
        describe_line("gap", "approach over retract %+.2g %% (standard error %.1g %%)",
                      100 * s->gap, 100 * s->gap_u);
}

static void judge(const struct lines *l, const struct sensitivity *s, const char *quantity,
                  struct calibrate_report *r)
{
    calibrate_judge(r, quantity, s->value);
    if (isnan(l->wish->z_scale_u))
        calibrate_caution(r, "the piezo's own calibration is not in the uncertainty; give "
                             "--z-scale-u, it goes into the sensitivity in full");
    if (fabs(s->gap) > 0.03)
        calibrate_caution(r,
                          "approach and retract differ by %.2g %%: friction of the tip, or "
                          "hysteresis of the piezo",
                          100 * s->gap);
    if (fabs(s->curvature) > 0.03)
        calibrate_caution(r,
                          "the detector's slope changes by %.2g %% along the window: use a smaller "
                          "one (--to), and small deflections in the measurement",
                          100 * s->curvature);
}

static void tell(const struct lines *l, const struct sensitivity *s, const char *quantity,
                 struct calibrate_report *r)
{
    const char *unit = lever_file_unit(quantity);
    char text[160];
    describe_known(s->value, s->u, unit, text, sizeof text);
    json_object_set_new(r->json, quantity,
                        json_pack("{s:f, s:f, s:f, s:s}", "value", s->value, "u", s->u, "u_random",
                                  s->u_random, "unit", unit));
    if (r->text) describe_line("sensitivity", "%s", text);
    tell_parts(s, r);
    for (int side = 0; side < SIDES; side++)
        if (l->wanted[side] && l->sum[side].curves) tell_side(l, side, unit, r);
    tell_left_out(l, r);
    json_object_set_new(r->json, "gap", describe_real(s->gap));
    judge(l, s, quantity, r);
}

/* --- the task --- */

static enum status analyse(struct lines *l, struct pixels *p, struct sensitivity *s,
                           struct report *rep)
{
    enum status st = choose_sides(l, rep);
    if (st == ST_OK) st = make_room(l, rep);
    if (st == ST_OK) st = pixels_each(p, take_curve, l, rep);
    if (st != ST_OK) return st;
    size_t used = 0;
    for (int side = 0; side < SIDES; side++) {
        if (!l->wanted[side]) continue;
        contact_lines_sum(l->line[side], l->n, l->wish->outlier, l->scratch, &l->sum[side]);
        used += l->sum[side].curves;
    }
    if (used == 0)
        return fail(rep, ST_INPUT, "no curve can be used; the first one: %s",
                    l->n ? line_faults[l->line[l->wanted[APPROACH] ? APPROACH : RETRACT][0].fault]
                         : "not in the chosen rows and columns");
    combine(l, s);
    return ST_OK;
}

enum status calibrate_sensitivity(struct calibrate_wish *wish, struct calibrate_report *r,
                                  struct report *rep)
{
    struct lines l = {.wish = wish, .unit = 1};
    struct pixels p = {.rows = wish->rows, .columns = wish->columns};
    struct sensitivity s = {.value = NAN};
    struct lever_file *file = malloc(sizeof *file);
    if (!file) return fail(rep, ST_MEMORY, "not enough memory for a lever file");
    enum status st = pixels_open(&p, wish->file, rep);
    const char *quantity = "deflection_sensitivity";
    if (st == ST_OK) {
        l.facts = volume_facts(p.volume);
        if (l.facts->seg[SEG_APPROACH].stage == STAGE_QUADRANTS) quantity = "quadrant_sensitivity";
        st = calibrate_lever_open(wish, quantity, file, rep);
    }
    if (st == ST_OK) {
        st = analyse(&l, &p, &s, rep);
        if (st != ST_OK) st = within(rep, st, "%s: ", wish->file);
    }
    if (st == ST_OK) {
        tell(&l, &s, quantity, r);
        struct lever_record record = lever_record_make(quantity, s.value, s.u);
        record.u_random = s.u_random;
        snprintf(record.text.method, sizeof record.text.method, "contact line");
        snprintf(record.text.remark, sizeof record.text.remark,
                 "window %g to %g %% of the signal, %zu curves", 100 * wish->from, 100 * wish->to,
                 l.sum[APPROACH].curves > l.sum[RETRACT].curves ? l.sum[APPROACH].curves
                                                                : l.sum[RETRACT].curves);
        st = calibrate_lever_close(wish, file, &record, 1, wish->file, p.digest, rep);
    }
    free_lines(&l);
    pixels_close(&p);
    free(file);
    return st;
}
