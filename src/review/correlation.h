/** How far neighbouring pixels resemble each other, and how many independent ones that leaves. */
#ifndef CANTLE_REVIEW_CORRELATION_H
#define CANTLE_REVIEW_CORRELATION_H

#include "base/status.h"

#include <stddef.h>

struct correlation {
    size_t reach_y, reach_x; /**< pixels: lag at which it is lost along an axis, 1 = neighbours are
                                  independent */
    double inflation;        /**< sum of the correlations over all lags within reach, 1 or more:
                                  how much larger the variance of a mean is than that of
                                  independent pixels */
    double n_effective;      /**< pixels over inflation */
    size_t block_y, block_x; /**< pixels: sides of blocks to resample by */
    double lost;             /**< inflation over the part of it that blocks of this size keep, 1 or
                                  more: correlations across their edges are cut */
};

/** Autocorrelation over a plane by Fourier transform, zero-padded, each lag over the pairs that
 *  there are; lost where it falls below 2/sqrt(pairs), what independent pixels would show in one
 *  of twenty lags, at the latest at a third of the axis. The variance of a mean of correlated
 * values: N.A.C. Cressie, Statistics for Spatial Data, 1993, section 1.3.
 *  @param value  [ny*nx] NaN = not chosen. Best scores that wild values do not rule
 *  @param block  side of the blocks; 0 = twice the reach. Never more than a quarter of an axis, so
 *                that there are sixteen blocks
 *  Errors: ST_MEMORY. Fewer than two values, or all the same: independent. */
enum status correlation_find(size_t ny, size_t nx, const double *value, size_t block,
                             struct correlation *out, struct report *rep) MUST_CHECK;

#endif
