/** Inside of struct maps, shared by the files of this folder. */
#ifndef CANTLE_MAPS_MAPS_PRIVATE_H
#define CANTLE_MAPS_MAPS_PRIVATE_H

#include "maps/layout.h"

#define DIGESTS_PATH "/entry/run/tile_digest"

struct maps {
    MPI_Comm comm; /**< borrowed */
    int rank;
    char *path, *part, *finishing; /**< PATH, PATH.part, PATH.finishing */
    bool overwrite;
    int lock; /**< rank 0: descriptor that holds the lock on PATH.part, -1 elsewhere */
    size_t n_tiles;
    double steepest_rad; /**< above it a pixel is flagged steep; NaN = no limit */
    struct maps_layout layout;
    hid_t file, value[MAP_COUNT], error[MAP_COUNT], state, flags, digests;
    float *reals; /**< one tile of one plane, in the file's order; all three [buffered] */
    uint64_t *flag_words;
    uint8_t *states;
    size_t buffered;
};

/** More than a file of all planes, not compressed, takes on disk. */
uint64_t maps_bytes(const struct maps *m);
/** Collective. Open PATH.part with MPI-IO and all its planes. */
enum status maps_open_part(struct maps *m, struct report *rep) MUST_CHECK;
/** Collective. Close them; a failure to close is ST_OUTPUT. */
enum status maps_close_part(struct maps *m, struct report *rep) MUST_CHECK;
/** Memory only. Sets *m NULL. */
void maps_free(struct maps **m);

#endif
