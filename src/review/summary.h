/** What the chosen pixels of one map say together. Numbers only. */
#ifndef CANTLE_REVIEW_SUMMARY_H
#define CANTLE_REVIEW_SUMMARY_H

#include "base/progress.h"
#include "base/status.h"
#include "review/correlation.h"
#include "review/lognormal.h"
#include "review/phases.h"
#include "review/robust.h"

#include <stdbool.h>

#define SUMMARY_COVERAGE 0.95

struct summary_wish {
    size_t draws; /**< of the bootstrap; 0 = none */
    size_t block; /**< side of its blocks in pixels; 0 = from the correlation */
    unsigned long seed;
    bool phases;      /**< look for phases of ln x */
    int phases_asked; /**< 0 = as many as the data say */
};

struct summary {
    struct robust robust;           /**< SI */
    size_t not_positive;            /**< values that have no logarithm */
    struct correlation correlation; /**< of the ranks */
    size_t draws;
    double median_se, low, high; /**< standard error and interval of the median; NaN without draws,
                                    or below 6 values */
    double level;                /**< of the lower percentile that the interval begins with */
    struct lognormal lognormal;  /**< of the positive values, in SI */
    bool has_phases;             /**< 50 positive values or more, and they were asked for */
    struct phases phases;        /**< of ln(x/SI unit) */
};

/** Borrowed planes of one map. */
struct summary_plane {
    size_t ny, nx;
    const double *value; /**< [ny*nx] SI, NaN = not chosen or not there */
    const double *area;  /**< [ny*nx] */
};

/** The median's interval: percentiles of the medians of resampled planes (review/blocks.h), B.
 * Efron and R.J. Tibshirani, An Introduction to the Bootstrap, 1993, chapter 13; the percentiles
 * are set a little wider for few or small blocks (blocks_level). Phases are fitted to a hundred to
 * 200 of the same draws again.
 *  @param p  shows the draws when they take long; total is set here
 *  Errors: ST_MEMORY. No value at all: n = 0 and NaN. */
enum status summary_make(const struct summary_plane *plane, const struct summary_wish *wish,
                         struct progress *p, struct summary *out, struct report *rep) MUST_CHECK;

/** ln of a plane's positive values, NaN elsewhere. [n] */
void summary_logarithms(const double *value, size_t n, double *out);

#endif
