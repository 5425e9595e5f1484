/** Inside of the volume: deflated chunks read as they lie in the file and unpacked by libdeflate,
 *  which takes half the time of HDF5's own filter. */
#ifndef CANTLE_VOLUME_UNPACK_H
#define CANTLE_VOLUME_UNPACK_H

#include "volume/source.h"

struct unpacker;

/** NULL when the dataset is not of this kind (other filters, another byte order, chunks that tiles
 * of tile_rows x tile_cols cut) or there is no memory: read it with dataset_read then. */
struct unpacker *unpacker_new(const struct dataset *d, size_t tile_rows, size_t tile_cols);
void unpacker_free(struct unpacker *u);

/** As dataset_read, in the dataset's own type; start and count as a tile has them. `*done` is false
 * where the block holds a chunk that must be left to HDF5 (never written, or stored in a way of its
 * own). Errors: ST_INPUT with the dataset's name for a damaged chunk. */
enum status unpacker_read(struct unpacker *u, const struct dataset *d, const size_t *start,
                          const size_t *count, void *out, bool *done,
                          struct report *rep) MUST_CHECK;

#endif
