/** Defensive readers for a file that anyone may have written: type, shape and size are looked at
 * before anything is read, and no other file is opened. Errors are ST_INPUT "/object: what is
 * wrong" (ST_MEMORY without memory).
 */
#ifndef CANTLE_MAPS_H5GET_H
#define CANTLE_MAPS_H5GET_H

#include "base/status.h"

#include <hdf5.h>
#include <stdbool.h>
#include <stddef.h>

/** True if the object is there, in this file, and everything on the way to it. */
bool h5get_has(hid_t at, const char *path);
/** ST_INPUT if the path leads into another file; whether something is there does not matter. */
enum status h5get_stays(hid_t at, const char *path, struct report *rep) MUST_CHECK;

/** A scalar text dataset, fixed or variable length; malloc'd, NULL if there is none or no memory.
 * The text is as it stands in the file: not for a terminal without words_printable. */
char *h5get_text(hid_t at, const char *path);
/** Element i of a one-dimensional dataset of fixed-length strings; false (and "") if there is none.
 * Cut to size and made printable (words_printable). */
bool h5get_text_at(hid_t at, const char *path, size_t i, char *out, size_t size);
/** A scalar text attribute; false (and "") if there is none. Cut to size and made printable. */
bool h5get_attr_text(hid_t object, const char *name, char *out, size_t size);

/** Length of a one-dimensional dataset. */
enum status h5get_length(hid_t at, const char *path, size_t *out, struct report *rep) MUST_CHECK;

/** Class of a dataset's numbers. */
enum status h5get_class(hid_t at, const char *path, H5T_class_t *out,
                        struct report *rep) MUST_CHECK;

/** Read a whole dataset of exactly these dimensions and class (H5T_FLOAT, H5T_INTEGER) as memory
 * type `type` into a buffer that is malloc'd for it (*out NULL on failure). `unit`, if not NULL,
 * gets the attribute units ([16]). */
enum status h5get_array(hid_t at, const char *path, H5T_class_t class, hid_t type, int rank,
                        const size_t *dims, void **out, char *unit, struct report *rep) MUST_CHECK;

/** A list of n numbers, or with n = 0 one number, as double. Errors as h5get_array. */
enum status h5get_reals(hid_t group, const char *path, size_t n, double *out,
                        struct report *rep) MUST_CHECK;
/** One whole number. */
enum status h5get_count(hid_t group, const char *path, size_t *out, struct report *rep) MUST_CHECK;

#endif
