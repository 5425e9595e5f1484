/** A plane through scattered heights that some wild points do not bend. */
#ifndef CANTLE_FIT_PLANE_H
#define CANTLE_FIT_PLANE_H

#include "base/status.h"

#include <stddef.h>

/** height = c[0] + c[1] u + c[2] v, u = (x - x0)/scale, v = (y - y0)/scale. */
struct plane {
    double x0, y0, scale;
    double c[3], covariance[3][3];
    double scatter; /**< of the heights about it, wild ones counted less */
    size_t n;       /**< heights it was made from */
};

/** Fewest heights: with less a wild one cannot be told from the rest. */
enum { PLANE_FEWEST = 10 };

/** Robust least squares (bisquare weights; GSL's gsl_multifit_robust, which cites W. H. DuMouchel,
 *  F. L. O'Brien 1989 for the scatter). All heights count alike. An axis along which no position
 *  differs has no slope: c and covariance are zero there.
 *  @param x, y, height  [n], any order; the result depends on the order by rounding alone
 *  Errors: ST_INPUT for n < PLANE_FEWEST, for positions on an oblique line, and where the weights
 *  do not settle; ST_MEMORY. */
enum status plane_fit(const double *x, const double *y, const double *height, size_t n,
                      struct plane *out, struct report *rep) MUST_CHECK;

double plane_height(const struct plane *p, double x, double y);
/** Standard error of that height: grows away from the points. */
double plane_error(const struct plane *p, double x, double y);

#endif
