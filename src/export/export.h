/** Maps as files for other programs: TIFF, CSV, NumPy, VTK. Knows numbers and words, not HDF5. */
#ifndef CANTLE_EXPORT_EXPORT_H
#define CANTLE_EXPORT_EXPORT_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

enum export_type { EXPORT_FLOAT32, EXPORT_UINT8, EXPORT_UINT64 };

/** One map, or one with several layers. All borrowed. */
struct export_array {
    const char *name, *unit; /**< unit "" = none */
    const char *words;       /**< what it is */
    enum export_type type;
    size_t layers;    /**< 1 for a plane */
    const void *data; /**< [ny,nx,layers], row-major, y and x ascending */
    const char *axis,
        *axis_unit;   /**< what the layers lie along, "" = no unit; NULL = only numbered */
    const double *at; /**< [layers] where, in axis_unit */
};

struct export_maps {
    size_t ny, nx;
    const double *y_um, *x_um;        /**< ascending pixel centres */
    const char *title, *source;       /**< source: name of the map file */
    size_t n;                         /**< 1 or more */
    const struct export_array *array; /**< [n] */
    FILE *progress;                   /**< for people; NULL = silent */
};

/** One row a format: name, endings, words. */
#define EXPORT_LIST(E)                                                                             \
    E(tiff, ".tif .tiff", "32-bit float TIFF, one page a map")                                     \
    E(csv, ".csv", "x, y and values, one pixel a line")                                            \
    E(npy, ".npy", "NumPy array of one map")                                                       \
    E(vti, ".vti", "VTK image data, for ParaView")

enum export_format {
#define E(name, endings, words) EXPORT_##name,
    EXPORT_LIST(E)
#undef E
        EXPORT_COUNT
};

/** By the ending of a name. Errors: ST_USAGE that lists them. */
enum status export_format_of(const char *path, enum export_format *out,
                             struct report *rep) MUST_CHECK;

/** Write PATH, whole or not at all; NaN stays NaN, numbers are those of the map file, bit by bit.
 *   tiff: TIFF revision 6.0 (Adobe, 1992), SampleFormat 3, no compression, top row = largest y,
 *         resolution in pixels per cm, unit in ImageDescription; BigTIFF above 4 GB
 *   csv:  RFC 4180 (line ends: LF), header with units; grid: one plane as a table, x above, y left
 *   npy:  format 1.0, NumPy Enhancement Proposal 1 and numpy.lib.format
 *   vti:  VTK File Formats (Kitware), ImageData, point data, base64 with 64-bit header; um
 *  @param input  a file that may not be overwritten: the map file
 *  Errors: ST_USAGE for what a format cannot hold (uneven distances, several arrays, 64-bit
 *  numbers), ST_OUTPUT, ST_MEMORY. */
enum status export_write(const struct export_maps *m, enum export_format format, bool grid,
                         const char *path, const char *input, bool overwrite,
                         struct report *rep) MUST_CHECK;

#endif
