#include "figure/scale.h"

#include "base/units.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum pixel_look scale_look(const struct figure_map *map, size_t pixel)
{
    static const enum pixel_look look_of[] = {LOOK_PLAIN, LOOK_DOUBTFUL, LOOK_REJECTED,
                                              LOOK_ABSENT};
    uint8_t mark = map->mark ? map->mark[pixel] : 0;
    enum pixel_look look = look_of[mark > 3 ? 3 : mark];
    bool shown = look == LOOK_PLAIN || look == LOOK_DOUBTFUL;
    return shown && !isfinite(map->value[pixel]) ? LOOK_MISSING : look;
}

double scale_place(const struct value_scale *s, double value)
{
    if (!s->log_scale) return (value - s->low) / (s->high - s->low);
    return value > 0 ? log(value / s->low) / log(s->high / s->low) : -1e3;
}

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double quantile(const double *sorted, size_t n, double p)
{
    if (n == 0) return NAN;
    double at = p * (double)(n - 1);
    size_t i = (size_t)at;
    return i + 1 < n ? sorted[i] + (at - (double)i) * (sorted[i + 1] - sorted[i]) : sorted[n - 1];
}

/* A range needs two ends, in order, and for a log scale positive ones. */
static void settle_range(struct value_scale *s, const double *sorted)
{
    size_t first = 0;
    while (s->log_scale && first < s->n && !(sorted[first] > 0))
        first++;
    bool positive = first < s->n || s->n == 0;
    if (!positive || s->low <= 0 || s->high <= 0) s->log_scale = false;
    if (!s->log_scale) first = 0;
    if (isnan(s->low)) s->low = quantile(sorted + first, s->n - first, 0.02);
    if (isnan(s->high)) s->high = quantile(sorted + first, s->n - first, 0.98);
    if (isnan(s->low)) s->low = isnan(s->high) ? 1 : s->log_scale ? s->high / 10 : s->high - 1;
    if (isnan(s->high)) s->high = s->log_scale ? s->low * 10 : s->low + 1;
    if (s->low > s->high) {
        double swap = s->low;
        s->low = s->high;
        s->high = swap;
    }
    if (s->high - s->low > 1e-9 * fmax(fabs(s->high), fabs(s->low))) return;
    double half = s->low != 0 ? 0.05 * fabs(s->low) : 0.5;
    s->low -= half;
    s->high += half;
}

static void fill_bins(struct value_scale *s, const double *sorted)
{
    double wanted = 2 * cbrt((double)s->n); /* Rice's rule */
    s->bins = (size_t)fmin(fmax(wanted, 8), SCALE_BINS_MOST);
    for (size_t i = 0; i < s->n; i++) {
        double t = scale_place(s, sorted[i]);
        if (t < 0) {
            s->below++;
        } else if (t > 1) {
            s->above++;
        } else {
            size_t bin = (size_t)(t * (double)s->bins);
            s->count[bin < s->bins ? bin : s->bins - 1]++;
        }
    }
}

enum status scale_make(struct value_scale *out, const struct figure_map *map, struct report *rep)
{
    size_t total = map->ny * map->nx;
    double *sorted = malloc((total ? total : 1) * sizeof *sorted);
    if (!sorted) return fail(rep, ST_MEMORY, "no memory to draw a map of %zu pixels", total);
    *out = (struct value_scale){
        .log_scale = map->log_scale, .low = map->low, .high = map->high, .factor = 1, .prefix = ""};
    for (size_t i = 0; i < total; i++) {
        enum pixel_look look = scale_look(map, i);
        out->look[look]++;
        if (look <= LOOK_DOUBTFUL) sorted[out->n++] = map->value[i];
    }
    qsort(sorted, out->n, sizeof *sorted, compare);
    settle_range(out, sorted);
    out->q25 = quantile(sorted, out->n, 0.25);
    out->median = quantile(sorted, out->n, 0.50);
    out->q75 = quantile(sorted, out->n, 0.75);
    fill_bins(out, sorted);
    if (strcmp(map->si_unit, "1") != 0)
        out->prefix = units_prefix(out->log_scale && out->high > 1e3 * out->low
                                       ? sqrt(out->low * out->high)
                                       : fmax(fabs(out->low), fabs(out->high)),
                                   map->si_unit, &out->factor);
    free(sorted);
    return ST_OK;
}
