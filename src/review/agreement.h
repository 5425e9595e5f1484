/** How well two measurements of the same things agree. Knows numbers only.
 *
 *  J. M. Bland, D. G. Altman, Lancet 327 (1986) 307-310: the mean of the differences (bias) and the
 *  range that holds 95 % of them (limits of agreement, bias -+ 1.96 s), each with its standard
 * error; where differences grow with the size, the same of the logarithms, which are ratios. */
#ifndef CANTLE_REVIEW_AGREEMENT_H
#define CANTLE_REVIEW_AGREEMENT_H

#include <stdbool.h>
#include <stddef.h>

struct agreement {
    size_t n;           /**< pairs with both numbers; below 2 all that needs more is NaN */
    double bias;        /**< mean of b - a */
    double spread;      /**< standard deviation s of b - a, n - 1 */
    double low, high;   /**< limits of agreement, bias -+ 1.96 s */
    double bias_u;      /**< standard error of the bias, s/sqrt(n) */
    double limit_u;     /**< of each limit, s sqrt(3/n), about (as in the paper) */
    double correlation; /**< Pearson's; NaN where one of them does not vary */
};

/** @param a, b  [n]; pairs with a NaN or infinity are left out
 *  @param use    [n] 1 = take part, or NULL
 *  @param logarithm  of ln a and ln b: pairs that are not both above zero are left out; exp() of
 * bias, low and high are ratios b/a */
void agreement_of(const double *a, const double *b, const bool *use, size_t n, bool logarithm,
                  struct agreement *out);

/** Pairs whose difference is larger than `times` its standard error sqrt(ua^2 + ub^2).
 *  @param ua, ub  [n] standard errors; without both a pair does not count
 *  @param counted  pairs that could be looked at */
size_t agreement_beyond(const double *a, const double *ua, const double *b, const double *ub,
                        const bool *use, size_t n, double times, size_t *counted);

#endif
