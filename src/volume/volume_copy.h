/** Write an open volume, or a part of it, as a new file in the layout of docs/volume-format.md. */
#ifndef CANTLE_VOLUME_VOLUME_COPY_H
#define CANTLE_VOLUME_VOLUME_COPY_H

#include "volume/volume.h"
#include "volume/volume_write.h"

/** What is kept: every so many rows, columns and samples, from row0 and col0. */
struct volume_cut {
    size_t row0, rows, col0, cols; /**< of the source */
    size_t every_row, every_col;   /**< 1 = all */
    size_t every_sample;           /**< 1 = all; 2 = the 1st, 3rd ... of each segment */
};

struct volume_note {
    const char *name, *text;
};

struct copy_job {
    const char *output;
    bool overwrite;
    enum storage storage;
    struct volume_cut cut;
    const struct lever *calibration; /**< wins over the volume's where it is known; NULL: nothing */
    const struct volume_note *note;  /**< become attributes of /provenance */
    size_t notes;
    FILE *progress; /**< NULL = silent */
};

/** All of it. */
struct volume_cut volume_cut_whole(const struct volume_facts *f);
/** Rows, columns and longest segment that the copy will have. */
size_t volume_cut_rows(const struct volume_cut *c);
size_t volume_cut_cols(const struct volume_cut *c);

/** Tile by tile: memory is that of one tile, and the [ny,nx] arrays are never held as a whole. The
 * samples keep their numbers and their type: nothing is converted. Written as OUTPUT.part, renamed
 * when complete. Errors: ST_OUTPUT, ST_INPUT, ST_MEMORY; nothing is left then. */
enum status volume_copy(struct volume *v, const struct copy_job *job,
                        struct report *rep) MUST_CHECK;

#endif
