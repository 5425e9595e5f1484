/** Which tiles a pass goes through. */
#ifndef CANTLE_GRID_TILES_H
#define CANTLE_GRID_TILES_H

#include "maps/maps.h"

struct tile_list {
    size_t n, *index; /**< [n] ascending, owned */
};

/** Of n_tiles: those that earlier runs have done, or those that are left. Errors: ST_MEMORY. */
enum status tile_list_make(struct tile_list *out, const struct maps *maps, size_t n_tiles,
                           bool done, struct report *rep) MUST_CHECK;
void tile_list_free(struct tile_list *list);

#endif
