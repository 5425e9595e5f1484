/* The off-surface part of a segment: where it ends, and the line through it. */
#include "curve/curve_private.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <string.h>

/* Second differences have 6 sigma^2 for white noise; their median keeps contact and jumps out. */
double lane_rough_noise(const struct lane *lane, double *scratch)
{
    size_t n = lane->n - 2;
    for (size_t i = 0; i < n; i++)
        scratch[i] = fabs(lane->d[i] - 2.0 * lane->d[i + 1] + lane->d[i + 2]);
    return gsl_stats_median(scratch, 1, n) / (0.6745 * sqrt(6.0)); /* selects, does not sort */
}

void line_add(struct line_sums *s, double z, double d)
{
    z -= s->z0, d -= s->d0;
    s->n += 1, s->z += z, s->d += d, s->zz += z * z, s->zd += z * d, s->dd += d * d;
}

struct line line_through(const struct line_sums *s, int order)
{
    struct line l = {.z_mean = s->z / s->n, .level = s->d / s->n};
    l.szz = s->zz - s->z * l.z_mean;
    double szd = s->zd - s->z * l.level, sdd = s->dd - s->d * l.level;
    l.slope = order && l.szz > 0 ? szd / l.szz : 0.0;
    double rest = sdd - l.slope * szd;
    l.rms = s->n > 1 + order && rest > 0 ? sqrt(rest / (s->n - 1 - order)) : 0.0;
    l.z_mean += s->z0;
    l.level += s->d0;
    return l;
}

/* Does the mean of block [from, to) lie on the line through what was accepted so far? */
static bool block_fits(const struct lane *lane, const struct line_sums *sums, int order,
                       size_t from, size_t to, double noise, double tolerance)
{
    struct line l = line_through(sums, order);
    double z = 0, d = 0, m = (double)(to - from);
    for (size_t i = from; i < to; i++)
        z += lane->z[i], d += lane->d[i];
    z = z / m - l.z_mean, d = d / m - l.level;
    double spread = 1.0 / m + 1.0 / sums->n + (order ? z * z / l.szz : 0.0);
    return fabs(d - l.slope * z) <= 5.0 * fmax(noise, l.rms) * sqrt(spread) + tolerance;
}

/* Extend the line block by block; two blocks in a row that lie beside it end it. */
static size_t grow(const struct curve_plan *plan, const struct lane *lane, size_t block,
                   double noise, double tolerance)
{
    size_t n = lane->n, end = n / 12 > 8 ? n / 12 : 8;
    int order = plan->baseline_order;
    struct line_sums sums = {.z0 = lane->z[0], .d0 = lane->d[0]};
    for (size_t i = 0; i < end; i++)
        line_add(&sums, lane->z[i], lane->d[i]);
    while (end + block <= n) {
        size_t next = end + block, after = next + block < n ? next + block : n;
        if (!block_fits(lane, &sums, order, end, next, noise, tolerance) &&
            (after == next || !block_fits(lane, &sums, order, next, after, noise, tolerance)))
            break;
        for (size_t i = end; i < next; i++)
            line_add(&sums, lane->z[i], lane->d[i]);
        end = next;
    }
    return end + block > n ? n : end;
}

/* Sum of squares that a cubic leaves of samples [from, n): what follows the baseline, of any shape.
 */
static double cubic_rest(const struct lane *lane, size_t from)
{
    enum { TERMS = 4 };
    size_t n = lane->n;
    double a[TERMS][TERMS] = {{0}}, b[TERMS] = {0}, dd = 0;
    double middle = 0.5 * (lane->z[from] + lane->z[n - 1]), half = lane->z[n - 1] - middle;
    for (size_t i = from; i < n; i++) {
        double u = (lane->z[i] - middle) / half, d = lane->d[i] - lane->d[0];
        double p[TERMS] = {1, u, 0.5 * (3 * u * u - 1), 0.5 * u * (5 * u * u - 3)}; /* Legendre */
        for (int j = 0; j < TERMS; j++) {
            for (int k = 0; k <= j; k++)
                a[j][k] += p[j] * p[k];
            b[j] += p[j] * d;
        }
        dd += d * d;
    }
    for (int j = 0; j < TERMS; j++) { /* Cholesky, and forward substitution at once */
        for (int k = 0; k < j; k++) {
            double sum = a[j][k];
            for (int l = 0; l < k; l++)
                sum -= a[j][l] * a[k][l];
            a[j][k] = sum / a[k][k];
            a[j][j] -= a[j][k] * a[j][k];
            b[j] -= a[j][k] * b[k];
        }
        if (!(a[j][j] > 0)) return INFINITY;
        a[j][j] = sqrt(a[j][j]);
        b[j] /= a[j][j];
        dd -= b[j] * b[j];
    }
    return fmax(dd, 0);
}

/* The end of the baseline as a change point: line before, cubic after, least squares together.
 * Slower, but it looks at the whole curve, so noise cannot talk it past the contact block by block.
 * @return n when the cubic does not pay: all of it is baseline */
static size_t change_point(const struct curve_plan *plan, const struct lane *lane, size_t block,
                           double noise)
{
    size_t n = lane->n, best = n, end = n / 12 > 8 ? n / 12 : 8;
    struct line_sums sums = {.z0 = lane->z[0], .d0 = lane->d[0]};
    double least = INFINITY, whole;
    for (size_t i = 0; i < n; i++) {
        if (i >= end && (i - end) % block == 0 && n - i > 8) {
            double rms = line_through(&sums, plan->baseline_order).rms;
            double cost = rms * rms * (double)i + cubic_rest(lane, i);
            if (cost < least) least = cost, best = i;
        }
        line_add(&sums, lane->z[i], lane->d[i]);
    }
    whole = line_through(&sums, plan->baseline_order).rms;
    whole *= whole * (double)n;
    /* four more unknowns and a choice of places: thirty noise variances are no accident */
    return whole - least > 30.0 * noise * noise ? best : n;
}

double lane_baseline_error(const struct lane *lane, double z)
{
    double dz = z - lane->z_ref;
    double var = lane->baseline_var[0] +
                 dz * (2.0 * lane->baseline_var[1] + dz * lane->baseline_var[2]);
    return sqrt(fmax(var, 0));
}

void lane_fit_baseline(int order, size_t end, struct lane *lane)
{
    struct line_sums sums = {.z0 = lane->z[0], .d0 = lane->d[0]};
    for (size_t i = 0; i < end; i++)
        line_add(&sums, lane->z[i], lane->d[i]);
    struct line l = line_through(&sums, order);
    lane->slope = l.slope, lane->z_ref = l.z_mean, lane->offset = l.level;
    double rest = 0; /* second pass: differences of sums lose digits */
    for (size_t i = 0; i < end; i++) {
        double r = lane_deflection(lane, i);
        rest += r * r;
    }
    double var = rest / ((double)end - 1.0 - order);
    lane->noise = sqrt(var);
    lane->baseline_var[0] = var / (double)end;
    lane->baseline_var[1] = 0; /* z_ref is the mean: level and slope are independent */
    lane->baseline_var[2] = order ? var / l.szz : 0.0;
}

void lane_find_baseline(const struct curve_plan *plan, struct lane *lane, double *scratch)
{
    size_t n = lane->n, block = n / 64 > 4 ? n / 64 : 4;
    double low = lane->d[0], high = lane->d[0], noise = lane_rough_noise(lane, scratch);
    for (size_t i = 1; i < n; i++) {
        low = fmin(low, lane->d[i]);
        high = fmax(high, lane->d[i]);
    }
    /* A tolerance of a thousandth of the curve lets weak waves and drift pass as baseline. */
    double tolerance = 1e-3 * (high - low);
    size_t end = grow(plan, lane, block, noise, tolerance);
    lane_fit_baseline(plan->baseline_order, end, lane);
    /* What was accepted must scatter like noise; if not, or if nothing ended it, look again. */
    if (end == n || lane->noise > 1.2 * noise + tolerance) {
        size_t other = change_point(plan, lane, block, noise);
        if (other < end) end = other;
    }
    lane->baseline_end = end;
    /* The onset of contact is gentle: the last blocks may already lean on the surface. */
    size_t guard = end / 12 + block, used = end > guard + 8 ? end - guard : end;
    lane_fit_baseline(plan->baseline_order, used, lane);
    lane->quiet_end = used;
    lane->off_offset = lane->offset;
    lane->off_slope = lane->slope;
}
