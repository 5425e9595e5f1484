/** Colour scale, histogram and pixel counts of one map. Everything that is drawn against the colour
 *  axis uses the place t of a value: 0 at the lower end of the colour range, 1 at the upper. */
#ifndef CANTLE_FIGURE_SCALE_H
#define CANTLE_FIGURE_SCALE_H

#include "figure/figure.h"

enum { SCALE_BINS_MOST = 60 };

/** What a pixel is drawn as. MISSING: not rejected, not absent, and yet without a value. */
enum pixel_look { LOOK_PLAIN, LOOK_DOUBTFUL, LOOK_REJECTED, LOOK_ABSENT, LOOK_MISSING, LOOK_COUNT };

struct value_scale {
    bool log_scale;     /**< as asked, unless no value is positive */
    double low, high;   /**< colour range, SI, low < high */
    double factor;      /**< SI value / factor = number in the figure's unit */
    const char *prefix; /**< static text */
    size_t look[LOOK_COUNT];
    size_t n;                /**< plain and doubtful pixels with a value */
    double q25, median, q75; /**< of them, SI; NaN when n is 0 */
    size_t bins;
    size_t below, above, count[SCALE_BINS_MOST];
};

/** Look at the values. low, high of the map win, else the 2nd and 98th percentile (linear between
 *  neighbours) of the n values. Errors: ST_MEMORY. */
enum status scale_make(struct value_scale *out, const struct figure_map *map,
                       struct report *rep) MUST_CHECK;

enum pixel_look scale_look(const struct figure_map *map, size_t pixel);

/** Place of an SI value on the colour axis; below 0 or above 1 when outside. With a log scale a
 * value that is not positive is far below. */
double scale_place(const struct value_scale *s, double value);

#endif
