/** Private to volume_copy*.c: the copy being made. */
#ifndef CANTLE_VOLUME_VOLUME_COPY_PRIVATE_H
#define CANTLE_VOLUME_VOLUME_COPY_PRIVATE_H

#include "volume/volume_copy.h"
#include "volume/volume_private.h"

enum { ARRAYS = 3 * SEG_COUNT, SINGLE = 4, NUMBERS = SINGLE + 3 * SEG_COUNT };

struct copy {
    struct volume *v;
    const struct copy_job *job;
    struct volume_cut cut;
    size_t ny, nx; /**< of the copy */
    char *part;
    bool created;
    hid_t file;
    hid_t array[ARRAYS], number[NUMBERS];
    char *block; /**< kept samples of a tile */
    double *line;
};

/** How many of n are kept when one in `every` is. */
static inline size_t copy_share(size_t n, size_t every)
{
    return (n + every - 1) / every;
}

/** Arrays of samples and numbers of pixels by index; NULL where the volume has none. */
struct samples *copy_array(struct copy *c, size_t i);
struct per_pixel *copy_number(struct copy *c, size_t i);
/** A length in samples; a mark or a length in samples. */
bool copy_is_length(size_t i);
bool copy_is_whole(size_t i);

enum status copy_cannot_write(const char *what, struct report *rep) MUST_CHECK;

/** All datasets of the copy, empty, and all that is not samples. Errors: ST_OUTPUT, ST_MEMORY. */
enum status copy_make_layout(struct copy *c, struct report *rep) MUST_CHECK;

#endif
