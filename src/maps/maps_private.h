/** Inside of struct maps, shared by the files of this folder. */
#ifndef CANTLE_MAPS_MAPS_PRIVATE_H
#define CANTLE_MAPS_MAPS_PRIVATE_H

#include "maps/layout.h"
#include "maps/owner.h"
#include "maps/places.h"
#include "maps/store.h"

/** What earlier runs left to do. */
struct leftover {
    uint8_t *kind;         /**< [n_tiles] enum tile_left */
    uint64_t (*digest)[2]; /**< [n_tiles] of the tiles that have one */
    size_t n_torn;
    size_t *torn;  /**< [n_torn] the tiles that are done in part */
    uint8_t *done; /**< [n_torn, tile_rows*tile_cols] volume's order: 1 = done */
    uint64_t pixels_done;
};

struct maps {
    MPI_Comm comm; /**< borrowed */
    int rank;
    char *path, *part, *finishing; /**< PATH, PATH.part, PATH.finishing-XXXXXXXX */
    bool overwrite;
    int lock;      /**< rank 0: descriptor that holds the lock on PATH.part, -1 elsewhere */
    bool unlocked; /**< rank 0: taken over from a run that held the lock; to be locked later */
    int fd; /**< PATH.part, write only: pages that are never read are never written back whole by
                 a network disk's client */
    size_t n_tiles, tile_rows, tile_cols;
    char wanted_digest[33]; /**< that the input must have; "" = any */
    double steepest_rad;    /**< above it a pixel is flagged steep; NaN = no limit */
    double tip_change; /**< chance of a false alarm of the tip watch; not above 0 = do not look */
    struct maps_layout layout;
    struct places places;
    struct owner owner;
    struct leftover left;
    double checkpoint_s, checked_s; /**< interval; time of the last checkpoint, monotonic */
    struct store store;             /**< what is done since, on its way to the file */
};

/** More than a file of all planes, not compressed, takes on disk. */
uint64_t maps_bytes(const struct maps *m);
/** maps_create.c: memory and layout; no file is touched. *out may be set on failure. */
enum status maps_new(struct maps **out, const char *path, bool overwrite,
                     const struct maps_origin *origin, MPI_Comm comm,
                     struct report *rep) MUST_CHECK;
/** One rank: is there something at the places of the output that may not be replaced? */
enum status maps_check_places(const struct maps *m, const struct maps_origin *origin,
                              struct report *rep) MUST_CHECK;
/** One rank: PATH.part with everything but results, complete when it gets its name. Sets places,
 * owner, lock. */
enum status maps_write_part(struct maps *m, const struct maps_origin *origin,
                            struct report *rep) MUST_CHECK;
/** One rank: put m->owner into the file of `fd` and this run into its table; all that is in the
 * file is durable then. */
enum status maps_enter_run(struct maps *m, int fd, const struct maps_origin *origin,
                           struct report *rep) MUST_CHECK;
/** Collective. Rank 0's places and owner go to all ranks, which open PATH.part. */
enum status maps_open_part(struct maps *m, struct report *rep) MUST_CHECK;
/** Save what is done and close; a failure is ST_OUTPUT. This rank alone. */
enum status maps_close_part(struct maps *m, struct report *rep) MUST_CHECK;
/** One rank: read whole planes of PATH.part as all ranks have saved them, through a new
 * descriptor. out: [ny*nx] each; NULL = not wanted. */
enum status maps_read_planes(const struct maps *m, float *modulus, uint8_t *state,
                             uint16_t *run_of_pixel, struct report *rep) MUST_CHECK;
/** One rank: from the states of PATH.part into m->left. */
enum status maps_find_leftover(struct maps *m, const struct maps_origin *origin,
                               struct report *rep) MUST_CHECK;
/** Collective. Rank 0's m->left goes to all; nothing to share when it has none. */
enum status maps_share_leftover(struct maps *m, struct report *rep) MUST_CHECK;
/** Memory only. Sets *m NULL. */
void maps_free(struct maps **m);

#endif
