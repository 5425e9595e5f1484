/* The figure of a summary. */
#include "command/summary.h"

#include "base/words.h"
#include "command/describe.h"
#include "figure/figure.h"

#include <gsl/gsl_sort_double.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void add_line(char *text, size_t size, const char *fmt, ...) PRINTF_LIKE(3, 4);
static void add_line(char *text, size_t size, const char *fmt, ...)
{
    size_t used = strlen(text);
    va_list args;
    va_start(args, fmt);
    if (used < size) vsnprintf(text + used, size - used, fmt, args);
    va_end(args);
}

static void write_words(const struct summary_all *a, const struct map_summary_part *p, char *text,
                        size_t size)
{
    const char *unit = map_rows[p->id].si_unit;
    const struct summary *s = &p->s;
    char one[48], two[48], three[48];
    describe_value(s->robust.median, unit, one, sizeof one);
    describe_value(s->low, unit, two, sizeof two);
    describe_value(s->high, unit, three, sizeof three);
    add_line(text, size, "solid line: median %s", one);
    if (isfinite(s->low)) add_line(text, size, "; dashed: 95 %% interval, %s to %s", two, three);
    add_line(text, size, "; %zu of %zu chosen pixels used, worth %.0f independent ones",
             s->robust.n, a->chosen, s->correlation.n_effective);
    if (isfinite(p->budget))
        add_line(text, size, "\nuncertainty of the calibration, common to all pixels: %s%.2g %%",
                 p->budget_complete ? "" : "at least ", 100 * p->budget);
    for (int j = 0; s->has_phases && j < s->phases.chosen && s->phases.chosen > 1; j++) {
        double mean = summary_phase_mean(&s->phases.fit[s->phases.chosen - 1], j);
        describe_value(mean, unit, one, sizeof one);
        describe_value(mean * s->phases.average_se[j], unit, two, sizeof two);
        add_line(
            text, size,
            "\nphase %d: %.1f %% of the area (standard error %.1f %%), mean %s (standard error %s)",
            j + 1, 100 * s->phases.fraction[j], 100 * s->phases.weight_se[j], one, two);
    }
    if (a->mask) add_line(text, size, "\nmask: %s", a->mask);
}

/* Positive values, ascending. */
static double *sorted_values(const struct map_summary_part *p, size_t pixels, size_t *n)
{
    double *out = malloc((pixels + 1) * sizeof *out);
    *n = 0;
    for (size_t i = 0; out && i < pixels; i++)
        if (p->value[i] > 0) out[(*n)++] = p->value[i];
    if (out) gsl_sort(out, 1, *n);
    return out;
}

enum status summary_draw(const struct summary_all *a, const char *path, struct report *rep)
{
    const struct maps_view *v = a->view;
    const struct map_summary_part *p = &a->part[0];
    const struct summary *s = &p->s;
    const double one = 1;
    char text[2048] = "", title[256];
    struct figure_distribution d = {.title = title,
                                    .label = map_rows[p->id].words,
                                    .si_unit = map_rows[p->id].si_unit,
                                    .median = s->robust.median,
                                    .low = s->low,
                                    .high = s->high,
                                    .ny = v->ny,
                                    .nx = v->nx,
                                    .x_m = v->x_m,
                                    .y_m = v->y_m,
                                    .text = text};
    double *values = sorted_values(p, v->ny * v->nx, &d.n);
    if (!values) return fail(rep, ST_MEMORY, "not enough memory to draw a histogram");
    if (d.n == 0) {
        free(values);
        return fail(rep, ST_INPUT, "%s: %s has no value above zero to draw", v->path,
                    map_rows[p->id].name);
    }
    d.value = values;
    snprintf(title, sizeof title, "%s", v->title);
    if (s->has_phases) {
        const struct mixture *m = &s->phases.fit[s->phases.chosen - 1];
        d.k = m->k;
        d.weight = m->weight;
        d.mean = m->mean;
        d.sd = m->sd;
        d.phase = m->k > 1 ? a->phase : NULL;
    } else if (s->lognormal.there) {
        d.k = 1;
        d.weight = &one;
        d.mean = &s->lognormal.mu;
        d.sd = &s->lognormal.sigma;
    }
    write_words(a, p, text, sizeof text);
    enum status st = figure_distribution(&d, path, rep);
    free(values);
    return st;
}
