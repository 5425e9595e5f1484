#include "doctor/shape.h"

#include <gsl/gsl_fit.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>

enum { FEWEST = 64 };
/* Shares of the samples: an end, and the part that is taken as baseline. */
static const double end_share = 0.1, baseline_share = 0.4;
/* An end is in contact when it is so much steeper than the other and rises so far above the noise.
 */
static const double steeper = 4, above_noise = 10;

struct line {
    double level, slope;
};

static struct line fit(const double *z, const double *y, size_t first, size_t n)
{
    struct line l;
    double c00, c01, c11, sum;
    gsl_fit_linear(z + first, 1, y + first, 1, n, &l.level, &l.slope, &c00, &c01, &c11, &sum);
    return l;
}

/* Scatter of second differences, by their median, so that kinks and jumps do not count. The factor
 * makes it the standard deviation of white normal noise: median |x| = 0.6745 sigma, var = 6
 * sigma^2.
 */
static double noise_of(const double *y, size_t n, double *work)
{
    for (size_t i = 0; i + 2 < n; i++)
        work[i] = fabs(y[i] - 2 * y[i + 1] + y[i + 2]);
    gsl_sort(work, 1, n - 2);
    return gsl_stats_median_from_sorted_data(work, 1, n - 2) / (0.6745 * sqrt(6));
}

static void find_pull(const double *z, const double *y, size_t n, struct shape *out)
{
    bool high = out->end == CONTACT_AT_HIGH_Z;
    size_t m = (size_t)(baseline_share * (double)n);
    struct line base = fit(z, y, high ? 0 : n - m, m);
    double sense = (out->slope > 0) == high ? 1 : -1, deepest = 0;
    /* three samples together: one wild sample is no adhesion */
    for (size_t i = 1; i + 1 < n; i++) {
        double below = -INFINITY;
        for (size_t k = i - 1; k <= i + 1; k++)
            below = fmax(below, sense * (y[k] - base.level - base.slope * z[k]));
        deepest = fmin(deepest, below);
    }
    out->pull = -deepest;
}

void shape_find(const double *z, const double *y, size_t n, double *work, struct shape *out)
{
    double *zs = work, *ys = work + n, *spare = work + 2 * n;
    size_t kept = 0;
    *out = (struct shape){.end = CONTACT_NOT_SEEN, .slope = NAN, .baseline = NAN};
    for (size_t i = 0; i < n; i++)
        if (isfinite(z[i]) && isfinite(y[i])) {
            zs[kept] = z[i];
            ys[kept++] = y[i];
        }
    if (kept < FEWEST) return;
    out->noise = noise_of(ys, kept, spare);
    gsl_sort2(zs, 1, ys, 1, kept);
    double range = zs[kept - 1] - zs[0];
    if (!(range > 0)) return;
    out->usable = true;
    size_t m = (size_t)(end_share * (double)kept);
    struct line low = fit(zs, ys, 0, m), high = fit(zs, ys, kept - m, m);
    double rise = fabs(high.slope - low.slope) * range * end_share;
    if (!(rise > above_noise * out->noise)) return;
    if (fabs(high.slope) > steeper * fabs(low.slope))
        out->end = CONTACT_AT_HIGH_Z;
    else if (fabs(low.slope) > steeper * fabs(high.slope))
        out->end = CONTACT_AT_LOW_Z;
    else
        return;
    bool at_high = out->end == CONTACT_AT_HIGH_Z;
    out->baseline = at_high ? low.slope : high.slope;
    out->slope = (at_high ? high.slope : low.slope) - out->baseline;
    find_pull(zs, ys, kept, out);
}
