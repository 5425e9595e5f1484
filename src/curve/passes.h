/** Private to curve/: loops over all samples of a segment, vectorised (base/lanes.h). */
#ifndef CANTLE_CURVE_PASSES_H
#define CANTLE_CURVE_PASSES_H

#include "base/lanes.h"

#include <stdbool.h>

/** Smallest and largest of v [n], n >= 1, no NaN. */
void pass_range(const double *v, size_t n, double *low, double *high);

/** Median, n >= 1; the work grows as n^2. */
double pass_median(const double *v, size_t n);

/** Sums of squares of the second differences v[i] - 2 v[i+1] + v[i+2] in each whole block of them;
 * n >= 3. @return the largest of all, absolute */
double pass_bends(const double *v, size_t n, size_t block, double *squares);

/** flat = d - offset - slope (z - z_ref), force = k flat over [n]. @return the smallest of flat */
double pass_flatten(const double *z, const double *d, size_t n, double offset, double slope,
                    double z_ref, double k, double *flat, double *force);

/** Sums for a straight line, relative to (z0, d0): sums of z, d, z z, z d, d d over [from, to). */
struct pass_line {
    double z, d, zz, zd, dd;
};
struct pass_line pass_line(const double *z, const double *d, size_t from, size_t to, double z0,
                           double d0);

/** The same for LANES blocks at once, from `from` on. */
struct pass_lines {
    lanes z, d, zz, zd, dd;
};
void pass_lines(const double *z, const double *d, size_t from, size_t block, double z0, double d0,
                struct pass_lines *out);

/** Sum of squares of v over [from, to). */
double pass_squares(const double *v, size_t from, size_t to);

/** Sum of (y - scale v - offset)^2 over [n]. */
double pass_misfit(const double *y, const double *v, size_t n, double scale, double offset);

/** How many of v [n] are above zero, and how often neighbours differ in that. */
void pass_signs(const double *v, size_t n, size_t *above, size_t *changes);

/** First i in [from, n) with v[i] > level, n if there is none. */
size_t pass_first_above(const double *v, size_t from, size_t n, double level);

/** The same for one that is not above it, or not below it. */
size_t pass_first_not_above(const double *v, size_t from, size_t n, double level);
size_t pass_first_not_below(const double *v, size_t from, size_t n, double level);

/** First i in [from, n - 1) with |v[i-1] - 2 v[i] + v[i+1]| > limit, n - 1 if there is none; from
 * >= 1, n > from. */
size_t pass_first_bend(const double *v, size_t from, size_t n, double limit);

/** Smallest i >= from with all of v [i, n) above the level, or below it; n if v[n - 1] is not. */
size_t pass_only_above(const double *v, size_t from, size_t n, double level);
size_t pass_only_below(const double *v, size_t from, size_t n, double level);

bool pass_all_finite(const double *v, size_t n);

/** out = v over [n], n >= 1, from the last to the first if `backward`. @return no value is below
 * the one before, and all are finite */
bool pass_take_ascending(const double *v, size_t n, bool backward, double *out);

/** out = factor v over [n], n >= 1, likewise; smallest and largest of it, if all are finite.
 *  @return they are */
bool pass_take(const double *v, size_t n, double factor, bool backward, double *out, double *low,
               double *high);

/** out = factor v over [n], from the last to the first if `backward`. */
void pass_scale(const double *v, size_t n, double factor, bool backward, double *out);

/** Area under f(z) over [low, high] by the trapezoidal rule, cells cut at the limits; cells that
 * run back in z do not count; n >= 1. */
double pass_area(const double *z, const double *f, size_t n, double low, double high);

/** Largest v[i-2] + v[i-1] + v[i] - (v[i+1] + v[i+2] + v[i+3]) for i in [from, n - 3), from >= 2;
 * 0 if none is positive. */
double pass_largest_drop(const double *v, size_t from, size_t n);

/** The first i where it is that large. */
size_t pass_drop_at(const double *v, size_t from, size_t n, double drop);

/** Area between zero and f(z - d) where f is negative, over the cells [from, to) between a sample
 * and the next by the trapezoidal rule; sum of squares of their widths. */
double pass_wells(const double *z, const double *d, const double *f, size_t from, size_t to,
                  double *squares);

/** Sums of powers of u = (z - z0) per and of v = d - d0, for a cubic in u. */
struct pass_powers {
    lanes u;  /**< u, u^2, u^3, u^4 */
    lanes uu; /**< u^5, u^6, v^2, nothing */
    lanes v;  /**< v, u v, u^2 v, u^3 v */
};

/** Add samples [from, to). */
void pass_powers(const double *z, const double *d, size_t from, size_t to, double z0, double per,
                 double d0, struct pass_powers *sums);

/** Normal equations of a cubic over [from, to) in Legendre polynomials of u = (z - middle)/half,
 * for d - d0: lower triangle of a, b, and the sum of squares. */
struct pass_cubic {
    double a[4][4], b[4], dd;
};
void pass_cubic(const double *z, const double *d, size_t from, size_t to, double middle,
                double half, double d0, struct pass_cubic *out);

#endif
