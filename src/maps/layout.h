/** The layout of a map file: root, entry and the group of maps. docs/output-format.md is its
 * manual. */
#ifndef CANTLE_MAPS_LAYOUT_H
#define CANTLE_MAPS_LAYOUT_H

#include "curve/result.h"
#include "maps/h5put.h"
#include "maps/maps.h"

#define MAPS_LAYOUT "cantle-maps-1"
#define MAPS_GROUP "/entry/maps"

/** All that the layout depends on. Coordinates are owned, in um, ascending. */
struct maps_layout {
    size_t ny, nx;
    bool has[MAP_COUNT];                  /**< made by an analysis that was asked for */
    bool rows_reversed, columns_reversed; /**< against the volume, so that y and x ascend */
    double *x_um, *y_um;
    char unit[MAP_COUNT][16];
    double factor[MAP_COUNT]; /**< number in the file = factor x SI value */
    char title[256], start_time[40];
    int deflate; /**< level in the finished file, 0 = contiguous */
};

/** Errors: ST_RECIPE for a unit that is too long or does not fit, ST_MEMORY. Nothing to free then.
 */
enum status layout_make(struct maps_layout *out, const struct maps_origin *origin,
                        struct report *rep) MUST_CHECK;
void layout_free(struct maps_layout *l);

/** Is there such a dataset: the map, or its standard errors? */
bool layout_has(const struct maps_layout *l, int map, bool errors);
/** Rows of a chunk in the finished file: whole rows, about 256 KiB of float32, so that one read
 * shows a band of the map. */
size_t layout_band_rows(const struct maps_layout *l);
/** "modulus" or "modulus_errors". */
void layout_name(int map, bool errors, char out[64]);

/** Create root attributes, /entry and /entry/maps. Not finished: contiguous, allocated now, filled
 * with NaN, state pending. Finished: chunked and deflated as l->deflate says. */
void layout_put(struct h5put *p, hid_t file, const struct maps_layout *l, bool finished);

#endif
