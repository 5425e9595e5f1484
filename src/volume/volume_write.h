/** Writing a volume: for simulated data. Layout of docs/volume-format.md; detector volts, approach
 * and retract of equal length, with or without a dwell between, row by row. */
#ifndef CANTLE_VOLUME_VOLUME_WRITE_H
#define CANTLE_VOLUME_VOLUME_WRITE_H

#include "volume/source.h"
#include "volume/volume.h"

enum storage { STORAGE_CONTIGUOUS, STORAGE_CHUNKED, STORAGE_DEFLATE };

/** What is known before the first curve. */
struct volume_layout {
    char title[256];
    size_t ny, nx, n;
    size_t dwell; /**< samples of the dwell at the end of the approach, z held; 0: none */
    double pixel_m;
    enum number type;  /**< int16, float32 or float64 */
    double volt_range; /**< int16: volts of the largest integer */
    enum storage storage;
    enum z_kind z_kind;    /**< Z_SHARED, or Z_START_STEP with a start for each pixel */
    bool shared_is_offset; /**< Z_SHARED: the ramp begins at 0 and /grid/z_offset places it */
    int z_sense;           /**< +1: stored z grows towards the sample, -1: it falls */
    double ramp_m;         /**< length of the ramp */
    double start_m;        /**< Z_SHARED without offset: where the ramp begins, inside's sense */
    double sample_interval_s;
    struct lever lever; /**< written to /calibration where known */
};

struct volume_writer;

/** Create PATH.part. Errors: ST_OUTPUT when PATH is there and not overwrite, or it cannot be made.
 */
enum status volume_write_begin(struct volume_writer **out, const char *path, bool overwrite,
                               const struct volume_layout *layout, struct report *rep) MUST_CHECK;

/** One row of curves in volts, in the order of time: approach and retract [nx,n], dwell
 * [nx,layout.dwell] or NULL. Integers are rounded and clipped at the ends of the type. */
enum status volume_write_row(struct volume_writer *w, size_t row, const double *approach_v,
                             const double *dwell_v, const double *retract_v,
                             struct report *rep) MUST_CHECK;

/** An array [ny,nx] with unit, text and, when `whole`, as uint8 without unit. */
enum status volume_write_pixels(struct volume_writer *w, const char *name, const char *unit,
                                const char *long_name, bool whole, const double *values,
                                struct report *rep) MUST_CHECK;

/** Places z: the end of the approach of each pixel, metres, inside's sense [ny,nx]. Nothing is
 * written for a ramp that all share. */
enum status volume_write_ends(struct volume_writer *w, const double *z_end_m,
                              struct report *rep) MUST_CHECK;

/** Close, make durable, rename PATH.part to PATH. Frees *w and sets it NULL, also on failure. */
enum status volume_write_end(struct volume_writer **w, struct report *rep) MUST_CHECK;
/** On error paths: close and remove PATH.part. Accepts NULL. */
void volume_write_drop(struct volume_writer **w);

#endif
