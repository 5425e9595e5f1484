/** The planes of the finished file. Reading them back, counting and compressing is the long part of
 * finishing, and is shared by all ranks; rank 0 alone writes. Which rank packs a plane changes no
 * bit of it. */
#ifndef CANTLE_MAPS_PLANES_H
#define CANTLE_MAPS_PLANES_H

#include "maps/h5put.h"
#include "maps/maps_private.h"
#include "maps/statistics.h"

/** What rank 0 learns of the planes on the way. */
struct planes_found {
    size_t pixels[MAP_COUNT]; /**< with a value, accepted or doubtful */
    double quantile[MAP_COUNT][QUANTILE_COUNT];
};

/** Rank 0, while the others are in planes_help (pulse_call): every map and its errors but for the
 * surface's slope, from the part into p->file, which has the layout.
 *  @param state  [ny,nx], goes to all ranks */
void planes_copy(const struct maps *m, uint8_t *state, struct h5put *p, struct planes_found *found);

/** The other ranks' side. */
enum status planes_help(const struct maps *m, struct report *rep) MUST_CHECK;

/** Rank 0: a plane that it has in memory, `numbers` of H5 memory type `type`, as dataset `name` of
 * the maps.  */
void planes_write(const struct maps *m, struct h5put *p, const char *name, hid_t type,
                  const void *plane);

#endif
