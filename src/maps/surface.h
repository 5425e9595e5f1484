/** The surface that the pixels stand on: what a map's heights say about its slope. No files. */
#ifndef CANTLE_MAPS_SURFACE_H
#define CANTLE_MAPS_SURFACE_H

#include <stddef.h>

/** Angle between the surface and the plane of the scan, rad: atan of the height's gradient, by
 *  differences of neighbouring pixels along y and x: central ones; from the pixel itself to the one
 *  neighbour at an edge and beside a pixel without height. NaN for a pixel without height, and
 *  where an axis has no neighbour with one. A map of one row (column) has a slope along it only.
 *  @param y, x  [ny], [nx] positions, strictly ascending or descending
 *  @param height  [ny*nx] row-major, in the unit of y and x; NaN = none, or not to be used
 *  @param slope_rad  [ny*nx], may not be `height` */
void surface_slope(size_t ny, size_t nx, const double *y, const double *x, const double *height,
                   double *slope_rad);

#endif
