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
    bool rows_reversed, columns_reversed; /**< against the volume, so that y and x ascend */
    double *x_um, *y_um;
    char unit[MAP_COUNT][16];
    double factor[MAP_COUNT]; /**< number in the file = factor x SI value */
    struct map_extent extent; /**< which maps there are */
    char title[256], start_time[40];
    int deflate; /**< level in the finished file, 0 = contiguous */
};

/** Errors: ST_RECIPE for a unit that is too long or does not fit, ST_MEMORY. Nothing to free then.
 */
enum status layout_make(struct maps_layout *out, const struct maps_origin *origin,
                        struct report *rep) MUST_CHECK;
void layout_free(struct maps_layout *l);

/** "modulus" or "modulus_errors"; all layers of a map are one dataset. */
void layout_name(int map, bool errors, char out[64]);
/** The same with the groups it is in: /entry/maps, or /entry/maps_by_AXIS with a further axis. */
void layout_path(int map, bool errors, char out[96]);
/** The map has a dataset in this file, and this is its first layer. */
bool layout_begins(const struct maps_layout *l, int map);
/** Rows of a chunk in the finished file: whole rows, about 256 KiB of float32, so that one read
 * shows a band of the map. */
size_t layout_band_rows(const struct maps_layout *l, size_t layers);
/** Planes in the largest dataset. */
size_t layout_deepest(const struct maps_layout *l);
/** Planes in the dataset of a map. */
size_t layout_layers(const struct maps_layout *l, int map);

/** Create root attributes, /entry and /entry/maps. Not finished: contiguous, allocated now, filled
 * with NaN, state pending. Finished: chunked and deflated as l->deflate says. */
void layout_put(struct h5put *p, hid_t file, const struct maps_layout *l, bool finished);

/** The further axis as a dimension scale, handed back open; invalid for AXIS_none. */
hid_t layout_put_axis(struct h5put *p, hid_t group, const struct maps_layout *l,
                      enum map_axis axis);

#endif
