/** The log-normal distribution, fitted and doubted. Numbers only. */
#ifndef CANTLE_REVIEW_LOGNORMAL_H
#define CANTLE_REVIEW_LOGNORMAL_H

#include <stdbool.h>
#include <stddef.h>

struct lognormal {
    bool there;          /**< false for fewer than 8 values, or when all are the same */
    double mu, sigma;    /**< of ln x, x in the unit of the values; sigma with n */
    double mu_se;        /**< standard error of mu, for n_effective independent values */
    double a2;           /**< Anderson-Darling statistic of ln x, modified for n */
    double p;            /**< its probability if pixels were independent */
    double p_correlated; /**< with the statistic divided by n / n_effective */
    double distance;     /**< largest distance of the two cumulative distributions */
};

/** Fit by maximum likelihood: mu and sigma are mean and standard deviation (with n) of ln x.
 *  Test of normality of ln x with both fitted: T.W. Anderson and D.A. Darling, J. Am. Stat. Assoc.
 *  49 (1954) 765; A2 (1 + 0.75/n + 2.25/n2) and its probability after R.B. D'Agostino and M.A.
 *  Stephens, Goodness-of-Fit Techniques, 1986, tables 4.7 and 4.9.
 *  p_correlated: correlated pixels make the statistic larger; dividing by the mean inflation of
 *  variance is the first-order correction of J.N.K. Rao and A.J. Scott, J. Am. Stat. Assoc. 76
 *  (1981) 221 for chi-square statistics, taken over here.
 *  @param log_sorted  [n] ascending ln x
 *  @param n_effective number of independent values that carry as much, 1..n */
void lognormal_fit(const double *log_sorted, size_t n, double n_effective, struct lognormal *out);

/** Probability of a modified statistic. */
double lognormal_probability(double a2);

#endif
