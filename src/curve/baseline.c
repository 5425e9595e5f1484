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

enum { TERMS = 4 }; /* of a cubic */

/* Sum of squares that a fit leaves, from its normal equations (lower triangle of a) and the sum of
 * squares of all: Cholesky, and forward substitution at once. NaN where less than `share` of a
 * diagonal element is left. */
static double rest_of(double a[TERMS][TERMS], double b[TERMS], double dd, double share)
{
    for (int j = 0; j < TERMS; j++) {
        double least = share * a[j][j];
        for (int k = 0; k < j; k++) {
            double sum = a[j][k];
            for (int l = 0; l < k; l++)
                sum -= a[j][l] * a[k][l];
            a[j][k] = sum / a[k][k];
            a[j][j] -= a[j][k] * a[j][k];
            b[j] -= a[j][k] * b[k];
        }
        if (!(a[j][j] > least)) return NAN;
        a[j][j] = sqrt(a[j][j]);
        b[j] /= a[j][j];
        dd -= b[j] * b[j];
    }
    return fmax(dd, 0);
}

/* Sum of squares that a cubic leaves of samples [from, n): what follows the baseline, of any shape.
 */
static double cubic_rest(const struct lane *lane, size_t from)
{
    size_t n = lane->n;
    double middle = 0.5 * (lane->z[from] + lane->z[n - 1]);
    struct pass_cubic sums;
    pass_cubic(lane->z, lane->d, from, n, middle, lane->z[n - 1] - middle, lane->d[0], &sums);
    double rest = rest_of(sums.a, sums.b, sums.dd, 0);
    return isnan(rest) ? INFINITY : rest;
}

/* The same, nearly, from sums that grow from the end of the curve: its error is below *error. In
 * powers of the distance from the end the normal equations are worse, but only by some hundreds. */
static double nearly_cubic_rest(const struct pass_powers *s, double count, double *error)
{
    const double safe = 1e-10, share = 1e-5; /* rounding is some 1e-16 over the share */
    double power[2 * TERMS - 1] = {count, s->u[0], s->u[1], s->u[2], s->u[3], s->uu[0], s->uu[1]};
    double a[TERMS][TERMS], b[TERMS];
    for (int j = 0; j < TERMS; j++) {
        for (int k = 0; k <= j; k++)
            a[j][k] = power[j + k];
        b[j] = s->v[j];
    }
    double rest = rest_of(a, b, s->uu[2], share);
    *error = isnan(rest) ? INFINITY : safe * s->uu[2];
    return isnan(rest) ? 0 : rest;
}

/* Places where the baseline may end, each `block` after the one before; what the line and the cubic
 * leave together, nearly. */
enum { PLACES = 96, TAIL = 8 };
struct places {
    size_t first, block, count;
    double line[PLACES], cost[PLACES], error[PLACES];
    double whole; /* what the line leaves of all samples */
};

static double line_cost(const struct line_sums *s, int order)
{
    double rms = line_through(s, order).rms;
    return rms * rms * s->n;
}

static void weigh_places(const struct lane *lane, int order, struct places *p)
{
    size_t n = lane->n, i = p->first;
    struct line_sums sums = block_sums(lane, 0, i);
    struct block_row row = {0};
    for (p->count = 0; i < n; i += p->block) {
        struct line_sums next = next_block(&row, lane, i, p->block);
        if (n - i > TAIL) p->line[p->count++] = line_cost(&sums, order);
        line_join(&sums, &next);
    }
    p->whole = line_cost(&sums, order);
    struct pass_powers powers = {{0}, {0}, {0}};
    double end = lane->z[n - 1], per = 1.0 / (end - lane->z[0]);
    for (size_t k = p->count, to = n; k-- > 0; to = i) {
        i = p->first + k * p->block;
        pass_powers(lane->z, lane->d, i, to, end, per, lane->d[0], &powers);
        p->cost[k] = p->line[k] + nearly_cubic_rest(&powers, (double)(n - i), &p->error[k]);
    }
}

/* The end of the baseline as a change point: line before, cubic after, least squares together.
 * Slower, but it looks at the whole curve, so noise cannot talk it past the contact block by block.
 * @return n when the cubic does not pay: all of it is baseline */
static size_t change_point(const struct curve_plan *plan, const struct lane *lane, size_t block,
                           double noise)
{
    size_t n = lane->n, best = n;
    struct places p = {.first = n / 12 > 8 ? n / 12 : 8, .block = block};
    weigh_places(lane, plan->baseline_order, &p);
    /* four more unknowns and a choice of places: thirty noise variances are no accident */
    double least = p.whole - 30.0 * noise * noise, bound = least;
    for (size_t k = 0; k < p.count; k++)
        bound = fmin(bound, p.cost[k] + p.error[k]);
    for (size_t k = 0; k < p.count; k++) {
        if (!(p.cost[k] - p.error[k] <= bound)) continue;
        double cost = p.line[k] + cubic_rest(lane, p.first + k * block);
        if (cost < least) least = cost, best = p.first + k * block;
    }
    return best;
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
