#include "review/criterion.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>

const char *const criterion_band_words[CRITERION_BAND_COUNT] = {
#define B(name, low, high, words) words,
    CRITERION_BANDS(B)
#undef B
};
const char *const criterion_band_names[CRITERION_BAND_COUNT] = {
#define B(name, low, high, words) #name,
    CRITERION_BANDS(B)
#undef B
};
static const double lowest[CRITERION_BAND_COUNT] = {
#define B(name, low, high, words) low,
    CRITERION_BANDS(B)
#undef B
};

double criterion_aicc(double variance, double n, int unknowns)
{
    double k = unknowns + 1;
    if (!(n > k + 1) || !(variance > 0)) return NAN;
    return n * log(variance) + 2 * k + 2 * k * (k + 1) / (n - k - 1);
}

double criterion_bic(double variance, double n, int unknowns)
{
    double k = unknowns + 1;
    if (!(n > k + 1) || !(variance > 0)) return NAN;
    return n * log(variance) + k * log(n);
}

static int band_of(double difference)
{
    int i = CRITERION_BAND_COUNT - 1;
    while (i > 0 && difference < lowest[i])
        i--;
    return i;
}

void criterion_count(const double *difference, size_t n, double *scratch,
                     struct criterion_table *out)
{
    *out = (struct criterion_table){.median = NAN};
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(difference[i])) continue;
        scratch[out->n++] = difference[i];
        out->sum += difference[i];
        out->band[band_of(difference[i])]++;
    }
    if (out->n == 0) return;
    gsl_sort(scratch, 1, out->n);
    out->median = gsl_stats_median_from_sorted_data(scratch, 1, out->n);
}
