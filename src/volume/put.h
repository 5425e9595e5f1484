/** Putting small things into an HDF5 file of our own: true when it went well. */
#ifndef CANTLE_VOLUME_PUT_H
#define CANTLE_VOLUME_PUT_H

#include "calibration/lever.h"

#include <hdf5.h>
#include <stdbool.h>

/** Attributes: text in UTF-8 of fixed length, one number as float64. */
bool put_text(hid_t object, const char *name, const char *text);
bool put_number(hid_t object, const char *name, double value);

/** Attributes tilt, correlation and method of a dataset with a spring constant: what is not known
 * is taken away. */
bool put_spring_notes(hid_t dataset, const struct lever *lever);

/** Make a dataset, and the groups on its way; rank 0: a scalar. how: creation list or H5P_DEFAULT.
 *  @return < 0 on failure; to be closed with H5Dclose */
hid_t put_dataset(hid_t file, const char *name, hid_t type, int rank, const hsize_t *dims,
                  hid_t how);

/** A dataset of float64 with its unit, and its standard uncertainty when u is a number >= 0. */
bool put_values(hid_t file, const char *name, int rank, const hsize_t *dims, const double *values,
                const char *unit, double u);

#endif
