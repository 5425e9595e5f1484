#include "maps/statistics.h"

#include <gsl/gsl_statistics_float.h>
#include <math.h>

const double statistics_quantiles[QUANTILE_COUNT] = {0.02, 0.25, 0.5, 0.75, 0.98};

void statistics_count(const uint8_t *state, const uint64_t *flags, size_t n,
                      struct maps_summary *summary)
{
    for (int s = 0; s < STATE_COUNT; s++)
        summary->state[s] = 0;
    for (int f = 0; f < FLAG_COUNT; f++)
        summary->flag[f] = 0;
    for (size_t i = 0; i < n; i++) {
        if (state[i] < STATE_COUNT) summary->state[state[i]]++;
        for (int f = 0; f < FLAG_COUNT && flags[i]; f++)
            summary->flag[f] += flags[i] >> f & 1;
    }
}

/* Between the two order statistics next to (n - 1) share, as GSL defines it for sorted data;
 * selects, does not sort. */
static double quantile(float *values, size_t n, double share)
{
    double at = share * (double)(n - 1);
    size_t below = (size_t)at, above = below + 1 < n ? below + 1 : below;
    double low = (double)gsl_stats_float_select(values, 1, n, below);
    double high = (double)gsl_stats_float_select(values, 1, n, above);
    return (1.0 - (at - (double)below)) * low + (at - (double)below) * high;
}

size_t statistics_of_map(float *values, const uint8_t *state, size_t n, double out[QUANTILE_COUNT])
{
    size_t kept = 0;
    for (size_t i = 0; i < n; i++)
        if ((state[i] == STATE_accepted || state[i] == STATE_doubtful) && isfinite(values[i]))
            values[kept++] = values[i];
    for (int q = 0; q < QUANTILE_COUNT; q++)
        out[q] = kept ? quantile(values, kept, statistics_quantiles[q]) : NAN;
    return kept;
}

void statistics_to_summary(struct maps_summary *summary, int map, size_t n,
                           const double quantile[QUANTILE_COUNT], double factor)
{
    summary->map[map].n = n;
    summary->map[map].low = quantile[0] / factor;
    summary->map[map].q25 = quantile[1] / factor;
    summary->map[map].median = quantile[2] / factor;
    summary->map[map].q75 = quantile[3] / factor;
    summary->map[map].high = quantile[4] / factor;
}
