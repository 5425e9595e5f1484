/* The off-surface part of a segment: where it ends, and the line through it. */
#include "curve/curve_private.h"
#include "curve/passes.h"

#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <string.h>

/* Mean squares of second differences over blocks; their median keeps contact and jumps out. White
 * noise gives 6 sigma^2 each, neighbours correlated by -2/3 and 1/6, so the mean of m has nu
 * degrees of freedom, and the median of a chi-square with nu is (1 - 2/(9 nu))^3 of its mean
 * (E. B. Wilson, M. M. Hilferty, Proc. Natl. Acad. Sci. 17 (1931) 684). */
void lane_find_rough_noise(struct lane *lane, double *scratch)
{
    enum { BLOCK = 16, FEWEST = 16, FEW = 64 };
    size_t n = lane->n - 2, block = n / FEWEST < BLOCK ? n / FEWEST : BLOCK;
    if (block == 0) block = 1;
    lane->largest_bend = pass_bends(lane->d, lane->n, block, scratch);
    double m = (double)block, far = block > 1 ? m - 2.0 : 0.0;
    double nu = m / (1.0 + 2.0 * (4.0 / 9.0 * (m - 1.0) + far / 36.0) / m);
    double share = 1.0 - 2.0 / (9.0 * nu);
    size_t blocks = n / block;
    double middle = blocks <= FEW ? pass_median(scratch, blocks)
                                  : gsl_stats_median(scratch, 1, blocks); /* selects */
    lane->rough_noise = sqrt(middle / (6.0 * m * share * share * share));
}

static void line_add_samples(struct line_sums *s, const struct lane *lane, size_t from, size_t to)
{
    struct pass_line p = pass_line(lane->z, lane->d, from, to, s->z0, s->d0);
    s->n += (double)(to - from);
    s->z += p.z, s->d += p.d, s->zz += p.zz, s->zd += p.zd, s->dd += p.dd;
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

/* Does the mean of a block lie on the line through what was accepted so far? */
static bool block_fits(const struct line_sums *block, const struct line *l, double accepted,
                       int order, double noise, double tolerance)
{
    double z = block->z / block->n + block->z0 - l->z_mean;
    double d = block->d / block->n + block->d0 - l->level;
    double spread = 1.0 / block->n + 1.0 / accepted + (order ? z * z / l->szz : 0.0);
    double scatter = noise > l->rms ? noise : l->rms;
    return fabs(d - l->slope * z) <= 5.0 * scatter * sqrt(spread) + tolerance;
}

static struct line_sums block_sums(const struct lane *lane, size_t from, size_t to)
{
    struct line_sums sums = {.z0 = lane->z[0], .d0 = lane->d[0]};
    line_add_samples(&sums, lane, from, to < lane->n ? to : lane->n);
    return sums;
}

static void line_join(struct line_sums *s, const struct line_sums *block)
{
    s->n += block->n;
    s->z += block->z, s->d += block->d;
    s->zz += block->zz, s->zd += block->zd, s->dd += block->dd;
}

/* LANES blocks of samples in work, taken one by one. */
struct block_row {
    struct pass_lines sums;
    size_t taken, held;
};

static struct line_sums next_block(struct block_row *row, const struct lane *lane, size_t from,
                                   size_t block)
{
    if (row->taken == row->held) {
        if (from + LANES * block > lane->n) /* the last few */
            return block_sums(lane, from, from + block);
        pass_lines(lane->z, lane->d, from, block, lane->z[0], lane->d[0], &row->sums);
        row->taken = 0, row->held = LANES;
    }
    size_t q = row->taken++;
    return (struct line_sums){(double)block,   row->sums.z[q],  row->sums.d[q], row->sums.zz[q],
                              row->sums.zd[q], row->sums.dd[q], lane->z[0],     lane->d[0]};
}

/* Nearly always a block lies so near to the line that no scatter of the accepted ones is needed to
 * see it: what block_fits allows is more than `sure`. Without a division. */
static bool surely_fits(const struct line_sums *block, double per, const struct line_sums *s,
                        int order, double sure)
{
    double z = s->n * per * block->z - s->z, d = s->n * per * block->d - s->d;
    if (!order) return fabs(d) < sure * s->n;
    double szz = s->n * s->zz - s->z * s->z, szd = s->n * s->zd - s->z * s->d;
    return fabs(d * szz - szd * z) < sure * s->n * szz;
}

/* Extend the line block by block; two blocks in a row that lie beside it end it. The sums of what
 * was accepted in `sums`. */
static size_t grow(const struct curve_plan *plan, const struct lane *lane, size_t block,
                   double noise, double tolerance, struct line_sums *sums)
{
    size_t n = lane->n, end = n / 12 > 8 ? n / 12 : 8;
    int order = plan->baseline_order;
    double per = 1.0 / (double)block, sure = 0.999 * (5.0 * noise * sqrt(per) + tolerance);
    struct block_row row = {0};
    *sums = block_sums(lane, 0, end);
    for (; end + block <= n; end += block) {
        struct line_sums next = next_block(&row, lane, end, block);
        if (!surely_fits(&next, per, sums, order, sure)) {
            struct line l = line_through(sums, order);
            struct line_sums after = block_sums(lane, end + block, end + 2 * block);
            if (!block_fits(&next, &l, sums->n, order, noise, tolerance) &&
                (!(after.n > 0) || !block_fits(&after, &l, sums->n, order, noise, tolerance)))
                return end;
        }
        line_join(sums, &next);
    }
    struct line_sums last = block_sums(lane, end, n);
    line_join(sums, &last);
    return n;
}

/* Sum of squares that a cubic leaves of samples [from, n): what follows the baseline, of any shape.
 */
static double cubic_rest(const struct lane *lane, size_t from)
{
    enum { TERMS = 4 };
    size_t n = lane->n;
    double middle = 0.5 * (lane->z[from] + lane->z[n - 1]);
    struct pass_cubic sums;
    pass_cubic(lane->z, lane->d, from, n, middle, lane->z[n - 1] - middle, lane->d[0], &sums);
    double(*a)[TERMS] = sums.a, *b = sums.b, dd = sums.dd;
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
    line_add_samples(&sums, lane, 0, end);
    for (size_t i = end; i < n; i += block) {
        if (n - i > 8) {
            double rms = line_through(&sums, plan->baseline_order).rms;
            double cost = rms * rms * (double)i + cubic_rest(lane, i);
            if (cost < least) least = cost, best = i;
        }
        line_add_samples(&sums, lane, i, i + block < n ? i + block : n);
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

void lane_find_baseline(const struct curve_plan *plan, struct lane *lane)
{
    size_t n = lane->n, block = n / 64 > 4 ? n / 64 : 4;
    double noise = lane->rough_noise;
    struct line_sums sums;
    /* A tolerance of a thousandth of the curve lets weak waves and drift pass as baseline. */
    double tolerance = 1e-3 * (lane->d_high - lane->d_low);
    size_t end = grow(plan, lane, block, noise, tolerance, &sums);
    /* What was accepted must scatter like noise; if not, or if nothing ended it, look again. */
    if (end == n || line_through(&sums, plan->baseline_order).rms > 1.2 * noise + tolerance) {
        size_t other = change_point(plan, lane, block, noise);
        if (other < end) end = other;
    }
    lane_take_baseline(plan, end, lane);
}

/* Least squares over samples [0, end), end >= 4; flattens the lane. */
static void fit_baseline(const struct curve_plan *plan, size_t end, struct lane *lane)
{
    int order = plan->baseline_order;
    struct line_sums sums = block_sums(lane, 0, end);
    struct line l = line_through(&sums, order);
    lane->slope = l.slope, lane->z_ref = l.z_mean, lane->offset = l.level;
    lane_flatten(plan, lane);
    /* from the residuals themselves: differences of sums lose digits */
    double var = pass_squares(lane->flat, 0, end) / ((double)end - 1.0 - order);
    lane->noise = sqrt(var);
    lane->baseline_var[0] = var / (double)end;
    lane->baseline_var[1] = 0; /* z_ref is the mean: level and slope are independent */
    lane->baseline_var[2] = order ? var / l.szz : 0.0;
}

void lane_take_baseline(const struct curve_plan *plan, size_t end, struct lane *lane)
{
    size_t n = lane->n, block = n / 64 > 4 ? n / 64 : 4;
    lane->baseline_end = lane->found_end = end;
    /* The onset of contact is gentle: the last blocks may already lean on the surface. */
    size_t guard = end / 12 + block, used = end > guard + 8 ? end - guard : end;
    fit_baseline(plan, used, lane);
    lane->quiet_end = used;
    lane->off_offset = lane->offset;
    lane->off_slope = lane->slope;
}
