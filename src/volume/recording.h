/** A recorded signal of a free lever: text, NumPy array, or a dataset of an HDF5 file. */
#ifndef CANTLE_VOLUME_RECORDING_H
#define CANTLE_VOLUME_RECORDING_H

#include "base/digest.h"
#include "base/status.h"

#include <stddef.h>

/** What to read. The file's beginning tells its kind. */
struct recording_wish {
    const char *path;
    const char *dataset; /**< HDF5: path of the dataset [n], or [.., n] with one record a row */
    size_t column;       /**< text: column of the signal, from 1; 0 = the only or the last one */
    size_t axis;         /**< text: column of time or frequency, from 1; 0 = there is none */
};

struct recording {
    double *x;            /**< [count][n] as stored (HDF5: scale_factor and add_offset applied) */
    double *axis;         /**< [n] or NULL */
    size_t n, count;      /**< samples of a record, records */
    char unit[64];        /**< HDF5 attribute units; else "" */
    struct digest digest; /**< of the file's bytes */
};

/** Errors: ST_INPUT "PATH: line N: ..." or "PATH: /dataset: ...", also for a value that is not
 * finite; ST_MEMORY. Free with recording_free, also after a failure. */
enum status recording_read(const struct recording_wish *wish, struct recording *out,
                           struct report *rep) MUST_CHECK;
void recording_free(struct recording *r);

#endif
