/** Inside of the intake: a volume in the making, shared by the files that know one kind of source.
 */
#ifndef CANTLE_INTAKE_BUILD_H
#define CANTLE_INTAKE_BUILD_H

#include "curve/curve.h"
#include "intake/array.h"
#include "intake/axes.h"
#include "intake/description.h"
#include "intake/pixels.h"

struct curve_files;

struct build {
    const struct description *d;
    enum intake_source kind;
    const char *path; /**< of the source */
    bool folder;      /**< it is one */
    struct source hdf5;
    struct curve_files *text; /**< text: what was read from the files */
    struct skeleton *sk;
    struct pixels px;
    FILE *progress;
};

/** The description's value. */
const struct intake_value *build_value(const struct build *b, enum intake_key key);

/** resolve.c: the array at a place. axes: what the description says, for raw data; may be NULL.
 *  Errors: ST_RECIPE, ST_INPUT, with the line. */
enum status build_array(struct build *b, enum intake_key key, const struct axes *axes,
                        struct array **out, struct report *rep) MUST_CHECK;
/** The unit of an array at a place: stated with the place, else by its attribute `units`. ask: a
 * line for the message when there is none. */
enum status build_unit(struct build *b, enum intake_key key, const struct array *a, char unit[64],
                       struct report *rep) MUST_CHECK;
/** Numbers in SI, one or one for each curve or pixel. Caller frees. A key that is not given: NULL
 * and n 0. expected: numbers that raw data have there. */
enum status build_numbers(struct build *b, enum intake_key key, size_t expected, double **si,
                          size_t *n, struct report *rep) MUST_CHECK;
/** Exactly one number; NaN when the key is not given. */
enum status build_number(struct build *b, enum intake_key key, double *si,
                         struct report *rep) MUST_CHECK;

/** common.c: title, calibration, grid, numbers for each pixel; stage and sign of a segment. */
enum status build_common(struct build *b, struct report *rep) MUST_CHECK;
/** length (unless own_lengths: they are put already), z_start, z_step, interval of a segment. */
enum status build_segment_numbers(struct build *b, enum segment_id id, bool own_lengths,
                                  struct report *rep) MUST_CHECK;
/** Attributes of an array of samples: unit, and packing as the description or the array has it. */
enum status build_packing(struct build *b, const char *name, enum intake_key scale,
                          const struct array *a, const char *unit, struct report *rep) MUST_CHECK;
/** stage and repulsion of /SEGMENT/signal, direction of z. */
enum status build_stage(struct build *b, enum segment_id id, struct report *rep) MUST_CHECK;

/** arrays.c: segments of hdf5, npy and raw sources. */
enum status build_arrays(struct build *b, struct report *rep) MUST_CHECK;
/** text.c: read all files, then the segments. */
enum status build_text(struct build *b, struct report *rep) MUST_CHECK;
void curve_files_free(struct curve_files **f);
/** text: numbers of a key for each curve, as build_numbers. */
enum status curve_files_numbers(struct build *b, enum intake_key key, double **si, size_t *n,
                                struct report *rep) MUST_CHECK;

/** npy.c: open an array of a .npy file, or a member of an .npz file. */
enum status array_npy(struct array **out, const char *path, const char *member,
                      struct report *rep) MUST_CHECK;

extern const char *const intake_segments[SEG_COUNT];

#endif
