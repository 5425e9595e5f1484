/** Small writers of HDF5 objects: fixed-length UTF-8 strings, scalars, groups in order of creation.
 *
 *  They share a struct h5put that remembers the first failure: after it every call does nothing, so
 * a page of calls needs one check at its end. The cause (disk full, ...) is taken from HDF5's error
 *  stack at the spot. */
#ifndef CANTLE_MAPS_H5PUT_H
#define CANTLE_MAPS_H5PUT_H

#include "base/status.h"

#include <hdf5.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct h5put {
    enum status st;     /**< ST_OK until the first failure, then ST_OUTPUT or ST_MEMORY */
    struct report *rep; /**< its message, without the file's name */
    hid_t file; /**< the file (sec2 driver); abandoned at the first failure, see h5put_fail */
    void (*after_each)(void *what); /**< called after each dataset is made or filled; may be NULL */
    void *what;
    bool synced_later; /**< h5put_finish_file leaves it to the caller to sync the file */
};

/** A start: nothing failed, no file yet. */
static inline struct h5put h5put_start(struct report *rep)
{
    return (struct h5put){.st = ST_OK, .rep = rep, .file = H5I_INVALID_HID};
}

/** How our own files are opened: without HDF5's locks, since they have a lock and a token of their
 * own and not every file system has locks; new datasets begin at pages. H5Pclose it. */
hid_t h5put_access(void);
/** Open one of our own files like that, to read it. Invalid on failure. */
hid_t h5put_open(const char *path);

/** Turn off HDF5's own printing of errors; ours is the one message. */
void h5put_quiet(void);

/** Record "WHAT cannot be written: CAUSE", CAUSE from HDF5's error stack. Keeps an earlier failure.
 *  The file is abandoned: HDF5 1.10 crashes at exit when what it holds cannot be written, so the
 * file's descriptor is pointed at memory, and what HDF5 still writes is lost. */
void h5put_fail(struct h5put *p, const char *what);

/** The operating system's words, or HDF5's own, for the last HDF5 call that failed. Call it before
 * any other HDF5 call. */
void h5put_cause(char *out, size_t size);

/** Attributes of `object`: a scalar string, [n] strings, a scalar or [n] numbers of memory type. */
void h5put_attr_text(struct h5put *p, hid_t object, const char *name, const char *text);
void h5put_attr_texts(struct h5put *p, hid_t object, const char *name, const char *const *texts,
                      size_t n);
void h5put_attr_numbers(struct h5put *p, hid_t object, const char *name, hid_t type,
                        const void *values, size_t n); /**< n = 0: one value, scalar dataspace */

/** A group that keeps its links in order of creation, with NX_class. Close with h5put_close. */
hid_t h5put_group(struct h5put *p, hid_t parent, const char *name, const char *nx_class);
/** Creation list for a file whose root keeps its links in order; h5put_close it. Invalid on
 * failure. */
hid_t h5put_file_order(struct h5put *p);

/** Scalar datasets. `units` is written as attribute when not NULL. */
void h5put_text(struct h5put *p, hid_t parent, const char *name, const char *text);
/** A list of strings, [n]. */
void h5put_texts(struct h5put *p, hid_t parent, const char *name, const char *const *texts,
                 size_t n);
/** A list of numbers, [n]. */
void h5put_reals(struct h5put *p, hid_t parent, const char *name, const double *values, size_t n,
                 const char *units);
void h5put_real(struct h5put *p, hid_t parent, const char *name, double value, const char *units);
void h5put_integer(struct h5put *p, hid_t parent, const char *name, int32_t value);
void h5put_count(struct h5put *p, hid_t parent, const char *name, uint64_t value);

/** A whole dataset of `rank` dimensions: created with `dcpl`, written when values is not NULL, and
 * handed back open. Memory type = file type. */
hid_t h5put_array(struct h5put *p, hid_t parent, const char *name, hid_t type, int rank,
                  const hsize_t *dims, hid_t dcpl, const void *values);

/** Close any object (group, dataset, attribute, ...) if valid and set it invalid; a failure is
 * recorded. */
void h5put_close(struct h5put *p, hid_t *object);

/** Flush to the operating system, sync to the disk (unless something failed before) and close
 * p->file. */
void h5put_finish_file(struct h5put *p);

#endif
