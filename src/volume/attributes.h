/** Attributes of HDF5 objects as text and numbers, whatever way the writer stored them. */
#ifndef CANTLE_VOLUME_ATTRIBUTES_H
#define CANTLE_VOLUME_ATTRIBUTES_H

#include "base/status.h"

#include <hdf5.h>
#include <stdbool.h>
#include <stddef.h>

/** True if the object has the attribute. */
bool attribute_there(hid_t object, const char *name);

/** Text of fixed or variable length, scalar or array of one, cut to `size` - 1 bytes.
 *  Errors: ST_INPUT when it is there but no text, or cannot be read. When it is not there: "" and
 * ST_OK. */
enum status attribute_text(hid_t object, const char *name, char *out, size_t size,
                           struct report *rep) MUST_CHECK;

/** Exactly n numbers of any numeric type. When it is not there: *there = false, out is left as it
 * was. Errors: ST_INPUT for text, another count, or damage. */
enum status attribute_numbers(hid_t object, const char *name, double *out, size_t n, bool *there,
                              struct report *rep) MUST_CHECK;

#endif
