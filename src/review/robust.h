/** Statistics that a few wild pixels do not move. Numbers only. */
#ifndef CANTLE_REVIEW_ROBUST_H
#define CANTLE_REVIEW_ROBUST_H

#include "base/status.h"

#include <stddef.h>

#define ROBUST_QUANTILES 7
/** 0.025, 0.05, 0.25, 0.5, 0.75, 0.95, 0.975 */
extern const double robust_levels[ROBUST_QUANTILES];

struct robust {
    size_t n;
    double median, mad; /**< mad: median of |x - median|, not scaled */
    double quantile[ROBUST_QUANTILES];
    double mean, sd; /**< sd: with n - 1; NaN for one value */
};

/** Quantile of [n] ascending values, n > 0, linear between neighbours: definition 7 of R.J. Hyndman
 *  and Y. Fan, Am. Stat. 50 (1996) 361, what NumPy and GSL do by default. */
double robust_quantile(const double *sorted, size_t n, double level);

/** The same for values that are there `count` times each; total = sum of counts > 0. */
double robust_median_counted(const double *sorted, const unsigned *count, size_t n, size_t total);

/** Of [n] ascending values. With n = 0 all numbers are NaN. MAD: F.R. Hampel, J. Am. Stat. Assoc.
 * 69 (1974) 383; times 1.4826 it is the standard deviation of a normal distribution. Errors:
 * ST_MEMORY. */
enum status robust_make(const double *sorted, size_t n, struct robust *out,
                        struct report *rep) MUST_CHECK;

#endif
