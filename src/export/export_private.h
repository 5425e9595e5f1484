/** Inside of export/: one writer a format, and what they share. */
#ifndef CANTLE_EXPORT_EXPORT_PRIVATE_H
#define CANTLE_EXPORT_EXPORT_PRIVATE_H

#include "base/whole_file.h"
#include "export/export.h"

size_t export_item(enum export_type type); /**< bytes of a number */
/** Number of array a at (row, column, layer) as double; exact but for large uint64. */
double export_at(const struct export_maps *m, const struct export_array *a, size_t i, size_t j,
                 size_t layer);
uint64_t export_bytes(const struct export_maps *m);

/** Distances of the grid in um. A lone row or column is as wide as the others, or 1 um. Errors:
 *  ST_USAGE when they differ by more than a thousandth. */
enum status export_pitch(const struct export_maps *m, double *dy, double *dx,
                         struct report *rep) MUST_CHECK;

/** What the formats cannot hold. Before any file is made. */
enum status export_check_tiff(const struct export_maps *m, struct report *rep) MUST_CHECK;
enum status export_check_csv(const struct export_maps *m, bool grid, struct report *rep) MUST_CHECK;
enum status export_check_npy(const struct export_maps *m, struct report *rep) MUST_CHECK;

/** Write the part file. */
enum status export_tiff(const struct export_maps *m, const struct whole_file *w,
                        struct report *rep) MUST_CHECK;
enum status export_csv(const struct export_maps *m, bool grid, const struct whole_file *w,
                       struct report *rep) MUST_CHECK;
enum status export_npy(const struct export_maps *m, const struct whole_file *w,
                       struct report *rep) MUST_CHECK;
enum status export_vti(const struct export_maps *m, const struct whole_file *w,
                       struct report *rep) MUST_CHECK;

#endif
