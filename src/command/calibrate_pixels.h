/** The chosen curves of a volume, one after the other, and the digest of all of it. */
#ifndef CANTLE_COMMAND_CALIBRATE_PIXELS_H
#define CANTLE_COMMAND_CALIBRATE_PIXELS_H

#include "command/calibrate.h"
#include "volume/volume.h"

struct pixel_place {
    size_t row, col; /**< as the volume counts */
};

struct pixels {
    struct pixel_span rows, columns; /**< for the caller to fill */
    struct volume *volume;
    char digest[33]; /**< of the whole volume, once all was read: that of the map file */
};

/** What is done with one curve; raw is borrowed. */
typedef enum status pixel_visit(void *context, struct pixel_place at, const struct raw_curve *raw,
                                struct report *rep);

/** Errors: those of volume_open; ST_USAGE for rows or columns that are not there. */
enum status pixels_open(struct pixels *p, const char *path, struct report *rep) MUST_CHECK;
/** Tile by tile; within a tile row by row. Stops at the first status that is not ST_OK. */
enum status pixels_each(struct pixels *p, pixel_visit *visit, void *context,
                        struct report *rep) MUST_CHECK;
/** One curve again; valid until the next call. Errors: those of reading. */
enum status pixels_one(struct pixels *p, struct pixel_place at, struct raw_curve *raw,
                       struct report *rep) MUST_CHECK;
void pixels_close(struct pixels *p);

#endif
