/** A mixture of normal distributions, by maximum likelihood. Numbers only. */
#ifndef CANTLE_REVIEW_MIXTURE_H
#define CANTLE_REVIEW_MIXTURE_H

#include <stdbool.h>
#include <stddef.h>

enum { MIXTURE_MOST = 5 };

/** Components in the order of their means. */
struct mixture {
    int k;
    double weight[MIXTURE_MOST], mean[MIXTURE_MOST], sd[MIXTURE_MOST];
    double log_likelihood;
    int iterations;
    bool converged, at_floor; /**< at_floor: a component is as narrow as is let be */
};

/** Values, each so many times; x ascends. Borrowed. */
struct weighted {
    const double *x, *w;
    size_t n;
    double total; /**< sum of w */
};

/** The most likely mixture of k components that was found: the EM algorithm of A.P. Dempster, N.M.
 *  Laird and D.B. Rubin, J. R. Stat. Soc. B 39 (1977) 1, from several starts that depend on the
 * data alone: slices of equal count, slices of equal width, and each component of `smaller` split
 * in two. A component is not narrower than a hundredth of the standard deviation of all values,
 * where the likelihood has no bound (N.E. Day, Biometrika 56 (1969) 463).
 *  @param smaller  the mixture of k - 1 components, NULL for k = 1 */
void mixture_fit(const struct weighted *v, int k, const struct mixture *smaller,
                 struct mixture *out);

/** Go on from *m, at most `most` iterations. */
void mixture_improve(const struct weighted *v, struct mixture *m, int most);

/** Probability of each component at x. @return ln of the density */
double mixture_at(const struct mixture *m, double x, double probability[MIXTURE_MOST]);

/** Free parameters: 3 k - 1. */
int mixture_parameters(int k);

#endif
