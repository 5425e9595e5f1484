/** An array of numbers somewhere: in an HDF5 file or in plain bytes. Read in blocks. */
#ifndef CANTLE_INTAKE_ARRAY_H
#define CANTLE_INTAKE_ARRAY_H

#include "base/status.h"
#include "volume/source.h"

/** Embedded at the begin of a larger struct. */
struct array {
    char name[256]; /**< for messages */
    enum number number;
    int rank;
    size_t dims[MOST_RANK];
    size_t chunk[MOST_RANK]; /**< 0: contiguous */
    bool deflate, shuffle;
    bool backwards; /**< dims are in reverse of NumPy's order (Fortran's order) */
    uint64_t stored_bytes;
    hid_t attributes; /**< the object that has attributes, < 0: none. Borrowed */
    /** Block of start, count [rank] into out, in the array's own type. Errors: ST_INPUT. */
    enum status (*read)(struct array *self, const size_t *start, const size_t *count, void *out,
                        struct report *rep);
    void (*drop)(struct array *self);
};

/** A dataset of an HDF5 file; the source stays open as long. Errors: ST_INPUT. */
enum status array_hdf5(struct array **out, struct source *source, const char *name,
                       struct report *rep) MUST_CHECK;

/** Numbers in a file from byte `offset`, C order. fd is taken, also on failure. size: bytes the
 * file has. Errors: ST_INPUT when the file is too short. */
enum status array_bytes(struct array **out, int fd, uint64_t size, const char *name,
                        enum number number, bool swap, uint64_t offset, int rank,
                        const size_t *dims, struct report *rep) MUST_CHECK;

/** All numbers as double, at most `most` of them. Caller frees. Errors: ST_INPUT. */
enum status array_doubles(struct array *a, size_t most, double **out, size_t *n,
                          struct report *rep) MUST_CHECK;

/** "[4,6,512] of float32", in NumPy's order. */
void array_shape(const struct array *a, char *out, size_t size);

#endif
