/** One dataset of a map file by its name: a map, its errors, state, flags, or any other array of
 * numbers over the pixels, with layers or without. */
#ifndef CANTLE_MAPS_MAP_ARRAY_H
#define CANTLE_MAPS_MAP_ARRAY_H

#include "base/status.h"
#include "maps/maps.h"

#include <stddef.h>

enum map_array_type { ARRAY_FLOAT32, ARRAY_UINT8, ARRAY_UINT64 };

struct map_array {
    char name[128], unit[32], words[192]; /**< unit "" = none */
    enum map_array_type type;             /**< whole numbers of one byte or more; else float */
    size_t layers;                        /**< 1 for a plane */
    void *data;                           /**< [ny,nx,layers] as in the file; owned */
    const char *axis, *axis_unit; /**< what the layers lie along; NULL = not known. Static */
    double at[AXIS_LONGEST];      /**< [layers] where, in axis_unit */
};

/** Read NAME of /entry/maps, all layers of a map with a further axis, one of them
 * ("depth_modulus:3"), or the dataset at a path that begins with '/'. Its first two lengths are ny
 * and nx of the view. Errors: ST_USAGE for a name that is not there (with the nearest map),
 *  ST_INPUT for another shape or type, ST_MEMORY. */
enum status map_array_load(struct map_array *out, const struct maps_view *v, const char *name,
                           struct report *rep) MUST_CHECK;
void map_array_free(struct map_array *a);

#endif
