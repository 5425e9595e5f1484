#include "review/robust.h"

#include <gsl/gsl_sort_double.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

const double robust_levels[ROBUST_QUANTILES] = {0.025, 0.05, 0.25, 0.5, 0.75, 0.95, 0.975};

double robust_quantile(const double *sorted, size_t n, double level)
{
    return gsl_stats_quantile_from_sorted_data(sorted, 1, n, level);
}

/* The value at place `at` (from 0) of the repeated values, from index *i on. */
static double counted_at(const double *sorted, const unsigned *count, size_t n, size_t at,
                         size_t *i, size_t *before)
{
    while (*i + 1 < n && *before + count[*i] <= at)
        *before += count[(*i)++];
    return sorted[*i];
}

double robust_median_counted(const double *sorted, const unsigned *count, size_t n, size_t total)
{
    size_t i = 0, before = 0;
    double low = counted_at(sorted, count, n, (total - 1) / 2, &i, &before);
    double high = counted_at(sorted, count, n, total / 2, &i, &before);
    return low + (high - low) / 2;
}

enum status robust_make(const double *sorted, size_t n, struct robust *out, struct report *rep)
{
    *out = (struct robust){.n = n, .median = NAN, .mad = NAN, .mean = NAN, .sd = NAN};
    for (int i = 0; i < ROBUST_QUANTILES; i++)
        out->quantile[i] = n ? robust_quantile(sorted, n, robust_levels[i]) : NAN;
    if (n == 0) return ST_OK;
    double *distance = malloc(n * sizeof *distance);
    if (!distance) return fail(rep, ST_MEMORY, "not enough memory for statistics of %zu pixels", n);
    out->median = robust_quantile(sorted, n, 0.5);
    for (size_t i = 0; i < n; i++)
        distance[i] = fabs(sorted[i] - out->median);
    gsl_sort(distance, 1, n);
    out->mad = robust_quantile(distance, n, 0.5);
    out->mean = gsl_stats_mean(sorted, 1, n);
    if (n > 1) out->sd = gsl_stats_sd_m(sorted, 1, n, out->mean);
    free(distance);
    return ST_OK;
}
