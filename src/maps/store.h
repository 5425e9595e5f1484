/** Results on their way to NAME.part: kept in memory until there are enough for large writes, at
 * the latest until the next checkpoint. Nothing is lost by that: without its state, which follows
 * at the checkpoint, a value in the file counts for nothing. */
#ifndef CANTLE_MAPS_STORE_H
#define CANTLE_MAPS_STORE_H

#include "maps/gather.h"
#include "maps/layout.h"
#include "maps/places.h"

/** One array of the file. */
struct shelf {
    enum { SHELF_VALUE, SHELF_ERROR, SHELF_FLAGS, SHELF_RUN } what;
    int map;              /**< of a value or an error: its first layer */
    size_t layers, bytes; /**< bytes of one pixel, all layers */
    uint64_t place;       /**< in the file */
    unsigned char *kept;  /**< [room], a part of store.memory */
};

struct store {
    size_t room, n; /**< pixels */
    struct shelf *shelf;
    size_t n_shelves;
    unsigned char *memory, *gather;
    struct extents pixels, tiles; /**< tiles: of the digests */
    uint64_t (*digest)[2];        /**< [tiles.n] */
    size_t room_digests;
    /** States of all that was put in since the last checkpoint, in the store or written: pixels. */
    uint8_t *state;
    struct extents states;
    size_t n_states, room_states;
    size_t written; /**< of `states`: those whose values are in the file */
};

/** Memory that a store takes at most beside its states (one byte for each pixel of a checkpoint).
 */
enum { STORE_BYTES = 4 << 20 };

/** Results of a tile, or of a part of one, row-major. The caller has looked whether the file is
 * still its own, since a full store is written first.
 * @param run  number of this run, for all pixels but those that were copied
 * Errors: ST_MEMORY; ST_OUTPUT for a write that failed: what it belonged to stays pending. */
enum status store_put(struct store *s, int fd, const struct maps_layout *l, const struct places *at,
                      const struct tile *t, const struct pixel_result *results, uint64_t run,
                      struct report *rep) MUST_CHECK;
/** The digest of a tile. Errors: ST_MEMORY. */
enum status store_put_digest(struct store *s, size_t tile, struct digest digest,
                             struct report *rep) MUST_CHECK;
/** Write what is kept. 0, or -1 with errno; then it is forgotten, with its states. */
int store_write(struct store *s, int fd, const struct places *at);
/** Write the states of all that has been written; the caller has made the values durable. 0, or -1
 * with errno. */
int store_write_states(struct store *s, int fd, const struct places *at);
/** After a checkpoint that did or did not succeed: what is not said to be done stays pending. */
void store_forget(struct store *s);
void store_free(struct store *s);

#endif
