/** A volume that is stored in another way than docs/volume-format.md has it.
 *
 *  A small HDF5 file in memory, the skeleton, has our layout with everything that is small: units,
 *  stage, positions, calibration, one number for each pixel. Of the long arrays it has the shape
 *  and the type; their numbers come through a view. To the rest of this room it is a file like any
 *  other, so it is checked, cut into tiles and decoded by the same lines. */
#ifndef CANTLE_VOLUME_SKELETON_H
#define CANTLE_VOLUME_SKELETON_H

#include "volume/source.h"
#include "volume/volume.h"

/** Where the numbers of a long array come from. Embedded at the begin of a larger struct. */
struct view {
    /** Read a block of the array as the skeleton has it (row, column, sample[, quadrant]) into
     * `out`, in the array's number type. Errors: ST_INPUT. */
    enum status (*read)(struct view *self, const size_t start[4], const size_t count[4], void *out,
                        struct report *rep);
    void (*drop)(struct view *self); /**< release it and what it owns */
    size_t chunk[4];                 /**< block that is read at one go, 0: no matter */
    bool deflate, shuffle;
    uint64_t stored_bytes; /**< on disk, 0: not known */
};

struct skeleton;

/** Errors: ST_MEMORY. */
enum status skeleton_new(struct skeleton **out, struct report *rep) MUST_CHECK;
void skeleton_free(struct skeleton **sk); /**< with its views; accepts NULL */

/** An array of samples of shape dims [3] or [4]. Takes the view, also on failure. */
enum status skeleton_samples(struct skeleton *sk, const char *name, int rank, const size_t *dims,
                             enum number type, struct view *view, struct report *rep) MUST_CHECK;
/** Small numbers as float64 with a unit; unit NULL: whole numbers without one. u: standard
 * uncertainty, NaN = not known. */
enum status skeleton_numbers(struct skeleton *sk, const char *name, int rank, const size_t *dims,
                             const double *values, const char *unit, double u,
                             struct report *rep) MUST_CHECK;
/** Attributes of the object `name` ("/" for the file). */
enum status skeleton_text(struct skeleton *sk, const char *name, const char *attribute,
                          const char *text, struct report *rep) MUST_CHECK;
enum status skeleton_number(struct skeleton *sk, const char *name, const char *attribute,
                            double value, struct report *rep) MUST_CHECK;

/** put_spring_notes on /calibration/spring_constant, if it is there. */
enum status skeleton_spring_notes(struct skeleton *sk, const struct lever *lever,
                                  struct report *rep) MUST_CHECK;

/** The view of an array, NULL if it has none. sk may be NULL. */
struct view *skeleton_view(struct skeleton *sk, const char *name);
hid_t skeleton_file(struct skeleton *sk);

/** As volume_open. Takes the skeleton, also on failure.
 *  @param path   of the source, for messages and provenance
 *  @param bytes  size of the source */
enum status volume_open_skeleton(struct volume **out, const char *path, uint64_t bytes,
                                 struct skeleton *sk, struct report *rep) MUST_CHECK;

#endif
