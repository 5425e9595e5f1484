/** The input file: layout of docs/volume-format.md, read tile by tile. Knows HDF5, not MPI. */
#ifndef CANTLE_VOLUME_VOLUME_H
#define CANTLE_VOLUME_VOLUME_H

#include "base/digest.h"
#include "calibration/lever.h"
#include "curve/curve.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct volume;

enum z_kind { Z_SHARED, Z_PER_CURVE, Z_START_STEP };

/** What is known of one segment without reading its samples. */
struct segment_facts {
    bool there;
    size_t n; /**< samples of the longest curve */
    enum signal_stage stage;
    const char *type; /**< "int16", "float32", ... static text */
    char units[32];   /**< of the signal, as written */
    bool negative_repulsion;
    enum z_kind z_kind;
    int z_sense; /**< +1: stored z grows towards the sample, -1: away */
    bool has_lengths, has_lateral;
    bool lateral_volts;       /**< the lateral signal is in V, or the signal is of quadrants */
    double sample_interval_s; /**< NaN if not stated */
    bool chunked, deflate, shuffle;
    size_t chunk[4];       /**< 0 when contiguous */
    uint64_t stored_bytes; /**< on disk */
    uint64_t sample_bytes; /**< one pixel, signal as stored */
};

/** What is known of the file. Arrays are owned by the volume. Rows and columns as in the file. */
struct volume_facts {
    const char *path;
    char title[256];
    char made_from[256], source_digest[40]; /**< /provenance of an imported volume, else "" */
    size_t ny, nx;
    const double *x_m, *y_m; /**< [nx], [ny] pixel centres, as stored (may descend) */
    bool has_present, has_z_offset;
    size_t n_absent;
    struct segment_facts seg[SEG_COUNT];
    struct lever lever; /**< from /calibration, origin "volume" */
    uint64_t file_bytes;
    size_t tile_rows, tile_cols; /**< how the grid is cut into tiles: follows the chunks */
    size_t tile_bytes;           /**< memory of one tile as read */
};

/** A block of the grid. */
struct tile {
    size_t row0, col0, rows, cols;
};

/** Open and check everything that can be checked without the samples. Errors: ST_INPUT, message
 *  "PATH: /dataset: what, and what to do". */
enum status volume_open(struct volume **out, const char *path, struct report *rep) MUST_CHECK;
void volume_close(struct volume **v); /**< accepts NULL; sets *v NULL */

const struct volume_facts *volume_facts(const struct volume *v);

/** Values that are known from elsewhere take the place of the volume's own, where they are not NaN;
 * what the spring constant says besides goes with it. */
void volume_calibrate(struct volume *v, const struct lever *known);

/** Smallest distance of neighbouring pixel centres, m; NaN for a single pixel. */
double volume_pixel_pitch(const struct volume_facts *facts);

/** Number of tiles and the i-th of them (row-major). Depends on the file alone. */
size_t volume_tile_count(const struct volume *v);
struct tile volume_tile(const struct volume *v, size_t index);
/** The same from the facts alone. */
struct tile volume_cut(const struct volume_facts *f, size_t index);

/** Read a tile's samples as stored into the volume's one tile buffer, replacing the last. */
enum status volume_read_tile(struct volume *v, struct tile t, struct report *rep) MUST_CHECK;

/** Decode one pixel of the tile read last: row, col in the grid. Valid until the next call. */
void volume_curve(struct volume *v, size_t row, size_t col, struct raw_curve *out);

/** Which pixels of a block the volume marks as bare substrate: marked [rows*cols] is 0 where it
 * does not; all 0 without /grid/substrate. Leaves the tile buffer alone. */
enum status volume_read_substrate(const struct volume *v, struct tile t, double *marked,
                                  struct report *rep) MUST_CHECK;

/** Digest (base/digest.h) of the tile read last: per pixel the stored bytes of signal, z of its own
 *  and length, segments in order; seed = row * nx + col. */
struct digest volume_tile_digest(struct volume *v);

/** Digest of all that the file says beside the samples and still changes numbers: shape, units,
 * packing, direction, shared ramps, axes, and the maps of presence, z offset, thickness and
 * substrate. What curves have of their own is in the tiles' digests. Reads the maps row by row. */
enum status volume_setup_digest(struct volume *v, struct digest *out,
                                struct report *rep) MUST_CHECK;

/** True if the file says it is a volume (attribute `layout`), for commands that take either file.
 */
bool volume_is_one(const char *path);

#endif
