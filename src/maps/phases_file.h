/** A file with the phases of a map: NeXus NXdata like a map file's, made at once. */
#ifndef CANTLE_MAPS_PHASES_FILE_H
#define CANTLE_MAPS_PHASES_FILE_H

#include "maps/maps.h"
#include "review/phases.h"

#define PHASES_GROUP "/entry/phases"

struct phases_file {
    const struct maps_view *view; /**< where the pixels are, and of which file */
    const char *map;              /**< name of the map */
    const char *mask;             /**< as given; NULL = none */
    const char *command_line;
    const uint8_t *phase;     /**< [ny*nx] 1.., 0 = none */
    const float *probability; /**< [ny*nx] of that phase */
    const struct phases *phases;
};

/** Write PATH, whole or not at all. Errors: ST_OUTPUT (there already and not overwrite, it is the
 * map file itself, disk full). */
enum status phases_file_write(const char *path, bool overwrite, const struct phases_file *f,
                              struct report *rep) MUST_CHECK;

#endif
