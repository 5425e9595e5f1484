#include "grid/tiles.h"

#include <stdlib.h>

enum status tile_list_make(struct tile_list *out, const struct maps *maps, size_t n_tiles,
                           bool done, struct report *rep)
{
    *out = (struct tile_list){0, malloc((n_tiles ? n_tiles : 1) * sizeof *out->index)};
    if (!out->index) return fail(rep, ST_MEMORY, "not enough memory for %zu tiles", n_tiles);
    for (size_t i = 0; i < n_tiles; i++)
        if ((maps_tile_left(maps, i) == TILE_DONE) == done) out->index[out->n++] = i;
    return ST_OK;
}

void tile_list_free(struct tile_list *list)
{
    free(list->index);
    *list = (struct tile_list){0};
}
