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
        for (uint64_t rest = flags[i]; rest; rest &= rest - 1) { /* its lowest bit goes */
            const int f = __builtin_ctzll(rest);
            if (f < FLAG_COUNT) summary->flag[f]++;
        }
    }
}

/* Order statistics that stand at their places already; what lies between two of them in memory lies
 * between them in value. */
struct placed {
    size_t at[2 * QUANTILE_COUNT], n;
};

static void bring_smallest(float *values, size_t n)
{
    size_t least = 0;
    for (size_t i = 1; i < n; i++)
        if (values[i] < values[least]) least = i;
    const float kept = values[0];
    values[0] = values[least];
    values[least] = kept;
}

/* The k-th smallest, looked for only where it can still be. */
static double order_statistic(float *values, size_t n, struct placed *p, size_t k)
{
    size_t from = 0, to = n;
    for (size_t i = 0; i < p->n; i++) {
        const size_t at = p->at[i];
        if (at == k) return (double)values[k];
        if (at < k && at + 1 > from) from = at + 1;
        if (at > k && at < to) to = at;
    }
    if (k == from)
        bring_smallest(values + from, to - from);
    else /* selects, does not sort: smaller ones before it, larger ones behind */
        gsl_stats_float_select(values + from, 1, to - from, k - from);
    p->at[p->n++] = k;
    return (double)values[k];
}

/* Between the two order statistics next to (n - 1) share, as GSL defines it for sorted data. */
static double quantile(float *values, size_t n, struct placed *p, double share)
{
    double at = share * (double)(n - 1);
    size_t below = (size_t)at, above = below + 1 < n ? below + 1 : below;
    double low = order_statistic(values, n, p, below), high = order_statistic(values, n, p, above);
    return (1.0 - (at - (double)below)) * low + (at - (double)below) * high;
}

size_t statistics_of_map(float *values, const uint8_t *state, size_t n, double out[QUANTILE_COUNT])
{
    /* the median first: what is left to look through halves each time */
    static const int order[QUANTILE_COUNT] = {2, 1, 0, 3, 4};
    struct placed placed = {.n = 0};
    size_t kept = 0;
    for (size_t i = 0; i < n; i++)
        if ((state[i] == STATE_accepted || state[i] == STATE_doubtful) && isfinite(values[i]))
            values[kept++] = values[i];
    for (int i = 0; i < QUANTILE_COUNT; i++) {
        const int q = order[i];
        out[q] = kept ? quantile(values, kept, &placed, statistics_quantiles[q]) : NAN;
    }
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
