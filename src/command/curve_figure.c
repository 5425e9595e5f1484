#include "base/units.h"
#include "command/curve_case.h"
#include "figure/figure.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { APPROACH_COLOUR = 1, RETRACT_COLOUR = 2, CONTACT_COLOUR = 4, BASELINE_COLOUR = 3 };
enum { STYLE_POINTS, STYLE_LINE, STYLE_DASHED, STYLE_MARK };
enum { SERIES_MOST = 6, NUMBERS_MOST = 24 };

/** Prefix and factor of an axis. */
struct axis_unit {
    double factor;
    char label[64];
};

/* The figure's panels and the numbers they are made of. */
struct drawing {
    const struct curve_case *c;
    struct axis_unit z, force, separation;
    double farthest_m; /* separation up to which the second panel goes */
    struct figure_series series[3][SERIES_MOST];
    size_t n[3];
    double *numbers[NUMBERS_MOST]; /* owned */
    size_t n_numbers;
    bool no_memory;
};

/* A new array in the unit of an axis: factor times (from - zero). Kept until the drawing is freed.
 */
static double *scaled(struct drawing *d, const double *from, size_t n, double factor, double zero)
{
    double *to = d->n_numbers < NUMBERS_MOST ? malloc((n ? n : 1) * sizeof *to) : NULL;
    if (!to) {
        d->no_memory = true;
        return NULL;
    }
    for (size_t i = 0; i < n; i++)
        to[i] = factor * (from[i] - zero);
    return d->numbers[d->n_numbers++] = to;
}

static void add(struct drawing *d, int panel, struct figure_series s)
{
    if (s.x && s.y && s.n && d->n[panel] < SERIES_MOST) d->series[panel][d->n[panel]++] = s;
}

static void choose_axis(struct axis_unit *out, const char *words, const char *si_unit,
                        double magnitude)
{
    const char *prefix = units_prefix(magnitude, si_unit, &out->factor);
    snprintf(out->label, sizeof out->label, "%s (%s%s)", words,
             strcmp(prefix, "u") ? prefix : "\u00b5", si_unit);
}

static void choose_axes(struct drawing *d)
{
    double z0 = INFINITY, z1 = -INFINITY, force = 0;
    for (int s = 0; s < SEG_COUNT; s++) {
        const struct segment_trace *t = &d->c->trace.seg[s];
        for (size_t i = 0; i < t->n; i++) {
            z0 = fmin(z0, t->z_m[i]);
            z1 = fmax(z1, t->z_m[i]);
            force = fmax(force, fabs(t->force_n[i]));
        }
    }
    /* the unit follows the length of the ramp; 3000 nm read better than 3 um with three decimals */
    double length = isfinite(z1 - z0) ? (z1 - z0) / 3 : 0;
    choose_axis(&d->z, "piezo displacement Z", "m", length);
    choose_axis(&d->separation, "tip-sample separation", "m", length);
    choose_axis(&d->force, "force", "N", force);
}

/* On a long ramp the contact would be a corner of the panel, so the panel ends at twice the depth
 * beyond contact, or after the last force that pulls by more than four times the noise. */
static double choose_farthest(const struct curve_case *c)
{
    double nearest = 0, pulling = 0;
    for (int s = 0; s < SEG_COUNT; s++) {
        const struct segment_trace *t = &c->trace.seg[s];
        double noise_n = t->noise_m * c->plan.setup.spring_n_per_m;
        for (size_t i = 0; i < t->n; i++) {
            nearest = fmin(nearest, t->separation_m[i]);
            if (t->force_n[i] < -4 * noise_n) pulling = fmax(pulling, t->separation_m[i]);
        }
    }
    return nearest < 0 ? fmax(-2 * nearest, 1.3 * pulling) : (double)INFINITY;
}

/* Leave away what is farther. */
static void cut_far(const struct drawing *d, double *separation, size_t n)
{
    for (size_t i = 0; separation && i < n; i++)
        if (separation[i] * d->separation.factor > d->farthest_m) separation[i] = NAN;
}

static void add_segment(struct drawing *d, enum segment_id id, const char *name, int colour)
{
    const struct segment_trace *t = &d->c->trace.seg[id];
    if (t->n == 0) return;
    double *z = scaled(d, t->z_m, t->n, 1 / d->z.factor, 0);
    double *force = scaled(d, t->force_n, t->n, 1 / d->force.factor, 0);
    double *separation = scaled(d, t->separation_m, t->n, 1 / d->separation.factor, 0);
    cut_far(d, separation, t->n);
    add(d, 0, (struct figure_series){name, z, force, t->n, STYLE_POINTS, colour});
    add(d, 1, (struct figure_series){name, separation, force, t->n, STYLE_POINTS, colour});
}

/* The baseline was subtracted, so it lies at zero force: over the samples that it was taken from.
 */
static void add_baseline(struct drawing *d)
{
    const struct segment_trace *t = &d->c->trace.seg[d->c->trace.fitted];
    if (t->n == 0 || t->baseline_end < 2) return;
    const double z_m[2] = {t->z_m[0], t->z_m[t->baseline_end - 1]}, zero[2] = {0, 0};
    add(d, 0,
        (struct figure_series){"baseline", scaled(d, z_m, 2, 1 / d->z.factor, 0),
                               scaled(d, zero, 2, 1, 0), 2, STYLE_DASHED, BASELINE_COLOUR});
}

/* The model's force and separation: what is left of its deflection without the baseline. */
static void add_fit(struct drawing *d)
{
    const struct curve_trace *trace = &d->c->trace;
    const struct segment_trace *t = &trace->seg[trace->fitted];
    if (t->n == 0 || !trace->fit_deflection_m || !isfinite(trace->contact_point_m)) return;
    double *z = scaled(d, t->z_m, t->n, 1 / d->z.factor, 0);
    double *force = scaled(d, trace->fit_deflection_m, t->n, 1, 0);
    double *separation = scaled(d, t->z_m, t->n, 1, 0);
    if (d->no_memory) return;
    for (size_t i = 0; i < t->n; i++) {
        double bend = force[i] - t->offset_m - t->slope * (t->z_m[i] - t->z_ref_m);
        separation[i] = (bend - (t->z_m[i] - trace->contact_point_m)) / d->separation.factor;
        force[i] = bend * d->c->plan.setup.spring_n_per_m / d->force.factor;
    }
    cut_far(d, separation, t->n);
    add(d, 0, (struct figure_series){"fitted curve", z, force, t->n, STYLE_LINE, 0});
    add(d, 1, (struct figure_series){"fitted curve", separation, force, t->n, STYLE_LINE, 0});
}

static void add_contact(struct drawing *d)
{
    const double zero = 0;
    if (!isfinite(d->c->trace.contact_point_m)) return;
    double *z = scaled(d, &d->c->trace.contact_point_m, 1, 1 / d->z.factor, 0);
    double *origin = scaled(d, &zero, 1, 1, 0);
    add(d, 0, (struct figure_series){"contact point", z, origin, 1, STYLE_MARK, CONTACT_COLOUR});
    add(d, 1,
        (struct figure_series){"contact point", origin, origin, 1, STYLE_MARK, CONTACT_COLOUR});
}

/* In units of the baseline's noise: a fit that describes the curve scatters by one everywhere. The
 * dashed line at zero runs over the whole ramp, so that the panel has the axis of the first one. */
static void add_residuals(struct drawing *d)
{
    const struct curve_trace *trace = &d->c->trace;
    const struct segment_trace *t = &trace->seg[trace->fitted];
    if (t->n < 2) return;
    const double z_m[2] = {t->z_m[0], t->z_m[t->n - 1]}, zero[2] = {0, 0};
    double *z = scaled(d, t->z_m, t->n, 1 / d->z.factor, 0);
    double *residual = scaled(d, t->deflection_m, t->n, 1, 0);
    if (d->no_memory) return;
    for (size_t i = 0; i < t->n; i++) {
        bool in = trace->fit_deflection_m && trace->in_fit && trace->in_fit[i] && t->noise_m > 0;
        residual[i] = in ? (residual[i] - trace->fit_deflection_m[i]) / t->noise_m : (double)NAN;
    }
    add(d, 2,
        (struct figure_series){NULL, z, residual, t->n, STYLE_POINTS,
                               trace->fitted == SEG_APPROACH ? APPROACH_COLOUR : RETRACT_COLOUR});
    add(d, 2,
        (struct figure_series){NULL, scaled(d, z_m, 2, 1 / d->z.factor, 0),
                               scaled(d, zero, 2, 1, 0), 2, STYLE_DASHED, 0});
}

/* The block beside the panels: what the person decides by. */
static char *words_beside(const struct curve_case *c)
{
    char *text = NULL, value[192], words[160];
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    if (!out) return NULL;
    fprintf(out, "%s: %s\n", state_rows[c->result.state].name, state_rows[c->result.state].words);
    for (int i = 0; i < FLAG_COUNT && c->result.state != STATE_absent; i++)
        if (c->result.flags >> i & 1) fprintf(out, "- %s\n", flag_rows[i].words);
    fprintf(out, "\n%s\n\n", c->plan.model->title);
    for (int i = 0; i < MAP_COUNT; i++) {
        const struct measured *m = &c->result.map[i];
        if (!isfinite(m->value)) continue;
        map_words(&c->plan.extent, i, words);
        curve_show_measured(m, map_rows[i].si_unit, "\u00b1", value, sizeof value);
        fprintf(out, "%s: %s\n", words, value);
    }
    if (c->result.state != STATE_absent) fprintf(out, "\n\u00b1 is one standard error");
    if (fclose(out) == 0) return text;
    free(text);
    return NULL;
}

enum status curve_figure(const struct curve_case *c, const char *path, struct report *rep)
{
    struct drawing d = {.c = c};
    char title[640];
    choose_axes(&d);
    d.farthest_m = choose_farthest(c);
    add_segment(&d, SEG_RETRACT, "retract", RETRACT_COLOUR);
    add_segment(&d, SEG_APPROACH, "approach", APPROACH_COLOUR);
    add_fit(&d);
    add_baseline(&d);
    add_contact(&d);
    add_residuals(&d);
    char *text = words_beside(c);
    const struct figure_panel panels[3] = {
        {"force over piezo displacement", d.z.label, d.force.label, d.series[0], d.n[0]},
        {"force over separation, near contact", d.separation.label, d.force.label, d.series[1],
         d.n[1]},
        {"residuals of the fit", d.z.label, "residual / noise", d.series[2], d.n[2]}};
    snprintf(title, sizeof title, "%s%scolumn %zu, row %zu", c->facts->title,
             *c->facts->title ? ": " : "", c->column, c->row);
    enum status st = d.no_memory || !text ? fail(rep, ST_MEMORY, "no memory to draw a curve")
                                          : figure_panels(title, panels, 3, text, path, rep);
    for (size_t i = 0; i < d.n_numbers; i++)
        free(d.numbers[i]);
    free(text);
    return st;
}
