/** A map as a picture: pixels of a grid that need not be regular, as a regular raster of colours.
 */
#ifndef CANTLE_FIGURE_RASTER_H
#define CANTLE_FIGURE_RASTER_H

#include "figure/scale.h"

#include <stdio.h>

/** One axis of the raster: [n] points, each shows the grid's pixel from[i]. */
struct raster_axis {
    double low_m, high_m; /**< outer edges of the first and last pixel */
    double smallest_m;    /**< the smallest pixel */
    size_t n;
    size_t *from; /**< owned */
};

/** Lay a raster over pixel centres. Edges lie half way between neighbours; the outer pixels are as
 *  wide outwards as inwards; a single pixel is `lone_m` wide. A regular grid is repeated a whole
 *  number of times, so that no viewer smears a coarse map. Errors: ST_MEMORY. */
enum status raster_axis_make(struct raster_axis *out, const double *centre_m, size_t n,
                             double lone_m, struct report *rep) MUST_CHECK;
void raster_axis_free(struct raster_axis *axis);

/** Write the raster, row by row from below, three bytes (red, green, blue) a point. */
void raster_write(FILE *out, const struct figure_map *map, const struct value_scale *scale,
                  const struct raster_axis *x, const struct raster_axis *y);

#endif
