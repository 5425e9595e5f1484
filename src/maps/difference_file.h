/** A small HDF5 file of planes over the pixels of a map, for what is made from finished map files.
 */
#ifndef CANTLE_MAPS_DIFFERENCE_FILE_H
#define CANTLE_MAPS_DIFFERENCE_FILE_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>

struct difference_plane {
    char name[80], unit[24], words[200];
    const double *value; /**< [ny*nx] in `unit`, row 0 at the smallest y; NaN = none; borrowed */
};

struct difference_file {
    const char *path, *title, *group; /**< group: of the planes, under /entry */
    const char *record;               /**< JSON of what it was made from */
    const char *input[2];             /**< files that it must not replace; NULL = none */
    size_t ny, nx;
    const double *x_m, *y_m; /**< pixel centres, ascending */
    const struct difference_plane *plane;
    size_t n;
    bool overwrite;
};

/** Write it beside its place, then rename. The planes are float32 [ny,nx] with coordinates in um,
 *  deflated, NXdata with the first one as signal. Errors: ST_OUTPUT, ST_MEMORY; nothing is left
 * then. */
enum status difference_file_write(const struct difference_file *f, struct report *rep) MUST_CHECK;

#endif
