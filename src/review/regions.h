/** Connected regions of a chosen set of pixels, and the area that pixels stand for. */
#ifndef CANTLE_REVIEW_REGIONS_H
#define CANTLE_REVIEW_REGIONS_H

#include "base/status.h"

#include <stddef.h>
#include <stdint.h>

/** Number the regions of pixels that touch along an edge (four neighbours).
 *  @param chosen  [ny*nx] 0 = not in any region
 *  @param label   [ny*nx] 0 = none, 1.. in the order of their first pixel
 *  @param count   how many. Errors: ST_MEMORY */
enum status regions_label(size_t ny, size_t nx, const uint8_t *chosen, uint32_t *label,
                          uint32_t *count, struct report *rep) MUST_CHECK;

/** Width that the i-th of n ascending positions stands for: half way to each neighbour, at an end
 *  as far outwards as inwards; `lone` for a single one. */
double regions_width(const double *position, size_t n, size_t i, double lone);

/** Area of pixel (i, j) in m2: regions_width along y times along x. A map of one row (column) has
 *  pixels as wide across as along it, a single pixel has 1 um2. */
double regions_pixel_area(size_t ny, size_t nx, const double *y_m, const double *x_m, size_t i,
                          size_t j);

#endif
