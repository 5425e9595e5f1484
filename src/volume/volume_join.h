/** Several volumes shown as one: the rows of the next below the last, or its columns to the right.
 */
#ifndef CANTLE_VOLUME_VOLUME_JOIN_H
#define CANTLE_VOLUME_VOLUME_JOIN_H

#include "volume/volume.h"

#include <stdio.h>

/** How a part is opened. */
typedef enum status volume_opener(void *context, const char *path, struct volume **out,
                                  struct report *rep);

struct join_wish {
    const char *const *path; /**< [n] */
    size_t n;
    bool columns;   /**< side by side, else one below the other */
    double pitch_m; /**< distance of neighbouring rows (columns), NaN: as the parts have it */
    volume_opener *open;
    void *context;
    FILE *progress; /**< NULL = silent */
};

/** Every part is opened once and checked, then again when its samples are read; few are open at a
 * time. Parts must have the same segments, stage, type, packing, direction of z and calibration;
 * lengths and ramps may differ. The wish must stay as long as the volume. Errors: ST_INPUT names
 * the part and what differs; ST_RECIPE when the distance of rows is not known. */
enum status volume_join(struct volume **out, const struct join_wish *wish,
                        struct report *rep) MUST_CHECK;

#endif
