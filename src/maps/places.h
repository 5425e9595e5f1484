/** Where the raw numbers of a .part lie in the file: its datasets are contiguous and never move, so
 * that ranks write into it with plain writes, and no write ever touches what makes it HDF5. */
#ifndef CANTLE_MAPS_PLACES_H
#define CANTLE_MAPS_PLACES_H

#include "maps/layout.h"
#include "maps/runs.h"

#define RUN_OF_PIXEL_PATH RUNS_GROUP "/run_of_pixel"
#define DIGESTS_PATH "/entry/run/tile_digest"

/** Offsets in bytes from the begin of the file. */
struct places {
    uint64_t value[MAP_COUNT], error[MAP_COUNT]; /**< float32 [ny,nx], [ny,nx,layers]; 0 where there
                                                    is none, and at further layers */
    uint64_t state, flags;                       /**< uint8, uint64 [ny,nx] */
    uint64_t run_of_pixel;                       /**< uint16 [ny,nx] */
    uint64_t digests;                            /**< uint64 [tiles,2] */
    uint64_t owner;                              /**< uint64 [OWNER_WORDS] */
    uint64_t runs[RUN_COLUMN_COUNT];             /**< [RUNS_MOST] */
};

/** Look them up in an open .part. Errors: ST_OUTPUT when a dataset is not as this program makes
 * it (shape, type, contiguous storage inside of the file). */
enum status places_read(struct places *out, hid_t file, const struct maps_layout *l, size_t n_tiles,
                        struct report *rep) MUST_CHECK;

/** pwrite, pread: all of it, or -1 with errno. */
int place_write(int fd, const void *bytes, size_t n, uint64_t at);
int place_read(int fd, void *bytes, size_t n, uint64_t at);

#endif
