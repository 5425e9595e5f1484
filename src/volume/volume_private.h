/** Inside of the volume: shared by volume_*.c only. */
#ifndef CANTLE_VOLUME_VOLUME_PRIVATE_H
#define CANTLE_VOLUME_VOLUME_PRIVATE_H

#include "volume/source.h"
#include "volume/unpack.h"
#include "volume/volume.h"

/** From a stored number to SI: si = a * stored + b; missing and clipped are told by stored values.
 */
struct packing {
    double a, b;
    double gone[2];   /**< stored values that mean missing; NaN when there is none */
    double low, high; /**< stored values at or beyond them are clipped */
    bool swap;        /**< four quadrants that fall under repulsion: the halves change places */
};

/** An array of samples [ny,nx,n] or [ny,nx,n,4]. */
struct samples {
    struct dataset set; /**< id < 0: not there */
    struct packing pack;
    size_t width;            /**< numbers in a pixel: n or 4 n */
    size_t bytes;            /**< of a pixel as stored */
    struct unpacker *unpack; /**< NULL: read through HDF5 */
    char *tile;              /**< [rows,cols,width] as stored */
    double *si;              /**< [width] the pixel decoded last */
};

/** One number for each pixel, [ny,nx]. */
struct per_pixel {
    struct dataset set; /**< id < 0: not there */
    struct unit_scale scale;
    double *tile; /**< [rows,cols] in SI */
};

/** Where z comes from: exactly one of ramp, z, start and step. */
struct segment {
    size_t n;
    struct samples signal, lateral, z;
    struct per_pixel length, start, step;
    double start_m, step_m; /**< for all pixels, when start.set and step.set are not there */
    double *ramp;           /**< [n] shared, metres, z as in the file until the sense is known */
    double *z_m;            /**< [n] z of the pixel decoded last */
};

struct volume {
    struct volume_facts facts;
    struct source source;
    char *path;
    double *x_m, *y_m;
    struct per_pixel present, z_offset, thickness, substrate;
    struct segment seg[SEG_COUNT];
    struct tile tile; /**< the one read last */
    struct digest_stream *stream;
};

extern const char *const segment_names[SEG_COUNT]; /**< "approach", "dwell", "retract" */

/** A dataset [ny,nx] of numbers. Not there: id stays < 0. si_unit NULL: a plain number without
 * unit. */
enum status per_pixel_open(struct volume *v, struct per_pixel *p, const char *name,
                           const char *si_unit, struct report *rep) MUST_CHECK;
/** Read a block into out [rows*cols], SI. */
enum status per_pixel_read(const struct per_pixel *p, struct tile t, double *out,
                           struct report *rep) MUST_CHECK;

/** volume_grid.c: /grid, for ny, nx known. */
enum status volume_open_grid(struct volume *v, struct report *rep) MUST_CHECK;
/** volume_segment.c: a segment with all its arrays; the approach sets ny and nx. */
enum status volume_open_segment(struct volume *v, enum segment_id id,
                                struct report *rep) MUST_CHECK;
/** volume_sense.c: which way z runs, for the file; makes the shared ramps run inside's way. */
enum status volume_find_sense(struct volume *v, struct report *rep) MUST_CHECK;
/** volume_tiles.c: cut the grid and make the buffers. */
enum status volume_cut_tiles(struct volume *v, struct report *rep) MUST_CHECK;
/** volume_tiles.c: HDF5 hands out zeros for what lies behind the end of a file that was cut off
 * meanwhile: is the file still as long? Errors: ST_INPUT. */
enum status volume_check_length(const struct volume *v, struct report *rep) MUST_CHECK;
/** volume_packing.c: CF attributes of a dataset of samples. */
enum status packing_read(struct packing *p, const struct dataset *d, struct unit_scale unit,
                         struct report *rep) MUST_CHECK;
/** Decode n stored numbers; returns how many are clipped. */
size_t packing_decode(const struct packing *p, enum number type, const void *stored, size_t n,
                      double *si);

#endif
