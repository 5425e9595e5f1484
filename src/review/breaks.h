/** Change points along the order of scanning: where all pixels of a map step at once, as when a
 * hard touch blunts or fouls the tip. Numbers only: no files, no ranks. */
#ifndef CANTLE_REVIEW_BREAKS_H
#define CANTLE_REVIEW_BREAKS_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>

enum { BREAK_CHANNELS = 3, BREAKS_MOST = 8 };

/** One map in the order of scanning. */
struct break_channel {
    const double *value; /**< [ny*nx], line 0 was scanned first; NaN = not usable. Quantities that
                              change by a factor come as logarithms. Borrowed */
    double floor; /**< a step smaller than this is never one, in the unit of value; above 0 */
};

/** One change: the lines from `line` on differ from those before. */
struct break_found {
    size_t line;
    double p_line; /**< chance of such a step between two given lines of a clean map */
    double p;      /**< the same between any two lines of the map (Sidak) */
    /** Of each channel: the step, and its 95 % interval; in the unit of value, NaN where not known
     */
    double step[BREAK_CHANNELS], low[BREAK_CHANNELS], high[BREAK_CHANNELS];
};

struct breaks {
    bool judged;       /**< false: too few lines or columns with values to tell */
    size_t steps;      /**< pairs of lines that were looked at */
    double level;      /**< largest p that is reported */
    double smallest_p; /**< of the map, reported or not; NaN when not judged */
    size_t n;          /**< changes found, in the order of lines */
    struct break_found at[BREAKS_MOST];
};

/** Look for changes.
 *
 *  Between a line and the one before it the step of a channel is the median over the columns of the
 *  paired differences, less its median over the lines around (tilt, slow drift). It is judged
 *  against the largest of three spreads: of the steps of the 15 lines on each side, of all lines
 *  (1.4826 times the median absolute deviation; P. J. Huber, Robust Statistics, 1981, section 5.1),
 *  and of the median over the columns, which are correlated. A step counts only as far as it lasts:
 *  as far as the medians of the four lines before and after differ by it. The channels are joined
 * by Hotelling's T2 (H. Hotelling, Ann. Math. Statist. 2 (1931) 360) with their correlation from
 * signs (N. Blomqvist, Ann. Math. Statist. 21 (1950) 593), its tail by the F distribution with the
 * degrees of freedom that a median absolute deviation is worth, and the lines by Sidak (J. Amer.
 * Statist. Assoc. 62 (1967) 626).
 *
 *  @param n_channels  1 to BREAK_CHANNELS
 *  @param level       in (0, 1); docs/tip-and-drift.md says what it means as measured
 *  Errors: ST_MEMORY. */
enum status breaks_find(const struct break_channel *channels, size_t n_channels, size_t ny,
                        size_t nx, double level, struct breaks *out, struct report *rep) MUST_CHECK;

#endif
