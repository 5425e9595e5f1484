/** An HDF5 file as one closed thing: objects are looked up by path, nothing outside it is followed.
 */
#ifndef CANTLE_VOLUME_SOURCE_H
#define CANTLE_VOLUME_SOURCE_H

#include "base/status.h"
#include "base/units.h"

#include <hdf5.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Memory that a chunk, or one pixel's samples, may need: beyond it a file is refused. */
#define LARGEST_BLOCK ((size_t)256 << 20)

/** One row a number type: name, C type, HDF5 memory type, smallest and largest value (integers). */
#define NUMBER_LIST(N)                                                                             \
    N(int8, int8_t, H5T_NATIVE_INT8, INT8_MIN, INT8_MAX)                                           \
    N(uint8, uint8_t, H5T_NATIVE_UINT8, 0, UINT8_MAX)                                              \
    N(int16, int16_t, H5T_NATIVE_INT16, INT16_MIN, INT16_MAX)                                      \
    N(uint16, uint16_t, H5T_NATIVE_UINT16, 0, UINT16_MAX)                                          \
    N(int32, int32_t, H5T_NATIVE_INT32, INT32_MIN, INT32_MAX)                                      \
    N(uint32, uint32_t, H5T_NATIVE_UINT32, 0, UINT32_MAX)                                          \
    N(float32, float, H5T_NATIVE_FLOAT, -INFINITY, INFINITY)                                       \
    N(float64, double, H5T_NATIVE_DOUBLE, -INFINITY, INFINITY)

enum number {
#define N(name, ctype, h5, low, high) NUMBER_##name,
    NUMBER_LIST(N)
#undef N
        NUMBER_COUNT,
    NUMBER_int64 = NUMBER_COUNT, /**< fine for counts and scalars, not for samples */
};

const char *number_name(enum number n); /**< "int16" */
size_t number_size(enum number n);      /**< bytes */
hid_t number_memory(enum number n);     /**< HDF5 memory type, not to be closed */

struct source {
    hid_t file, access;        /**< access: dataset access list that refuses external links */
    bool left_file;            /**< an external link was met */
    bool locks;                /**< its file system has locks */
    uint64_t bytes;            /**< of the file */
    struct skeleton *skeleton; /**< skeleton.h; NULL: the file is a volume as it is. Owned */
};

struct view;

/** Most dimensions of an array: a volume has up to four, the arrays of other files may have more.
 */
enum { MOST_RANK = 6 };

/** A dataset of numbers of rank 0 to MOST_RANK. */
struct dataset {
    hid_t id;
    char name[96]; /**< full path in the file */
    int rank;
    size_t dims[MOST_RANK];
    enum number number;
    bool chunked, deflate, shuffle;
    size_t chunk[MOST_RANK];
    uint64_t stored_bytes;
    struct view
        *view; /**< skeleton.h: where the numbers come from; NULL: from the file. Borrowed */
};

/** Before source_open and dataset_open, so that closing is always safe. */
void source_clear(struct source *s);
void dataset_clear(struct dataset *d);

/** Open read-only. Errors: ST_INPUT, the message without the path. */
enum status source_open(struct source *s, const char *path, struct report *rep) MUST_CHECK;
/** Take a skeleton as the file. On failure it is the source's all the same. */
enum status source_wrap(struct source *s, struct skeleton *sk, uint64_t bytes,
                        struct report *rep) MUST_CHECK;
void source_close(struct source *s);

/** Whether an object is there. Errors: ST_INPUT for external links and broken links. */
enum status source_has(struct source *s, const char *name, bool *there,
                       struct report *rep) MUST_CHECK;

/** Open a dataset and check that it holds numbers, lies in this file and can be decompressed. The
 *  chunk cache is made large enough for the chunks that one curve runs through. Errors: ST_INPUT,
 * the message begins with the name. */
enum status dataset_open(struct dataset *d, struct source *s, const char *name,
                         struct report *rep) MUST_CHECK;
void dataset_close(struct dataset *d);

/** Read a block as `memory` type. start, count: [rank]. Errors: ST_INPUT with the name. */
enum status dataset_read(const struct dataset *d, const size_t *start, const size_t *count,
                         hid_t memory, void *out, struct report *rep) MUST_CHECK;

/** The attribute `units` as a conversion into si_unit; text: [size] gets it as written, may be
 * NULL. Errors: ST_INPUT with the name. */
enum status dataset_units(const struct dataset *d, const char *si_unit, struct unit_scale *out,
                          char *text, size_t size, struct report *rep) MUST_CHECK;

/** One number with its unit, in SI; finite. factor: of the unit, may be NULL. Errors: ST_INPUT. */
enum status dataset_scalar(const struct dataset *d, const char *si_unit, double *out,
                           double *factor, struct report *rep) MUST_CHECK;

/** "[4,6,512]" */
void dataset_shape(const struct dataset *d, char out[112]);

#endif
