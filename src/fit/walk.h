/** Drift as a random walk that many curves of one kind share: what hides in each of them shows in
 * all together. Knows numbers only. */
#ifndef CANTLE_FIT_WALK_H
#define CANTLE_FIT_WALK_H

#include <stdbool.h>
#include <stddef.h>

/** Cosine indices that are looked at: a line was taken off, and above some thirty other noise
 * rules. */
enum {
    WALK_FIRST = 2,
    WALK_LAST = 32,
    WALK_POWERS = WALK_LAST - WALK_FIRST + 1,
    WALK_SHORTEST = 96
};

/** What is kept of one curve: the power of residuals along orthonormal cosines. */
struct walk_curve {
    double samples;            /**< 0: nothing is known of it */
    double level;              /**< mean power beyond WALK_LAST */
    double power[WALK_POWERS]; /**< at index WALK_FIRST + i, in units of the level */
};

/** @param r [n] residuals of a line. @return false, and samples 0, where they are fewer than
 *  WALK_SHORTEST or have no noise */
bool walk_look(const double *r, size_t n, struct walk_curve *out);

struct shared_walk {
    double step;   /**< rms of the walk from sample to sample, in the unit of the residuals; 0 = no
                        walk is seen that would matter */
    double ratio;  /**< its power over that of the other noise at the longest wave, index 1, of the
                        median curve */
    double gain;   /**< twice what the log likelihood gains by it */
    size_t curves; /**< that were looked at */
};

/** Most likely walk beside other noise: E power_j = a + b (j/n)^2 + (step/(2 sin(pi
 * j/2n)))^2/level, by the periodogram's likelihood (P. Whittle, Ark. Mat. 2 (1953) 423) over all
 * curves, a, b and step common to them; what the line took off is reckoned with. It counts when the
 * log likelihood gains more than 5 (a chance below 1e-3), unless 1/f noise explains the powers far
 * better (by 15: then each curve shows it), and when its ratio is a quarter or more: less does not
 * reach the standard errors. */
void walk_find(const struct walk_curve *curve, size_t n, struct shared_walk *out);

#endif
