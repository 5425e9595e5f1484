/** The interpolation between DMT and JKR by Carpick, Ogletree and Salmeron, in numbers. */
#ifndef CANTLE_CONTACT_CARPICK_H
#define CANTLE_CONTACT_CARPICK_H

#include "contact/transition.h"

/** alpha, and the numbers that go with it; derivatives by alpha. */
struct carpick_numbers {
    double alpha;
    double a0, a0_alpha;             /**< contact radius at zero load over (pi w R^2/K)^(1/3) */
    double pull_off, pull_off_alpha; /**< over pi w R */
    double share, share_alpha;       /**< S of the depth */
    double exponent, exponent_alpha; /**< 2 beta/3 of the depth */
};

/** lambda = -0.924 ln(1 - 1.02 alpha); infinite from alpha = 0.980 on. */
double carpick_lambda(double alpha);
/** Its inverse: 0 to 1/1.02. */
double carpick_alpha(double lambda);
struct carpick_numbers carpick_numbers(double alpha);
/** a/a0 at a load over the pull-off force (>= -1). */
double carpick_radius(double alpha, double load);
/** The curve at one lambda; p = ln q. */
struct transition carpick_of(double lambda);

#endif
