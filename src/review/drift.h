/** Slow change along the scan, from a quantile of each line. Numbers only. */
#ifndef CANTLE_REVIEW_DRIFT_H
#define CANTLE_REVIEW_DRIFT_H

#include "base/status.h"

#include <stddef.h>

struct drift {
    size_t lines;   /**< with values */
    double change;  /**< from the first line to the last, in the unit of the values; NaN below ten
                       lines */
    double error;   /**< its standard error */
    double typical; /**< median of the lines' quantiles */
};

/** The straight line through a quantile of each line: median of the slopes of all pairs (P. K.
 * Sen, J. Amer. Statist. Assoc. 63 (1968) 1379), times the number of steps. The standard error is
 * that of a least-squares slope (efficiencies differ by 5 %: Sen, section 6; from memory)
 * with 1.4826 times the median absolute residual, widened by sqrt((1 + r)/(1 - r)), r the
 * correlation of neighbouring residuals (G. V. Bayley and J. M. Hammersley, J. Roy. Statist. Soc.
 * Suppl. 8 (1946) 184; for a first-order memory).
 *  @param value [ny*nx] line 0 first; NaN = not usable; a line counts with at least a quarter of
 * its pixels. Of more than 1024 lines every second, third, ... is taken.
 *  @param share  which quantile, 0 to 1, between order statistics by straight lines (definition 7
 * of R. J. Hyndman and Y. Fan, Amer. Statist. 50 (1996) 361); 0.5: median. Errors: ST_MEMORY. */
enum status drift_find(const double *value, size_t ny, size_t nx, double share, struct drift *out,
                       struct report *rep) MUST_CHECK;

#endif
