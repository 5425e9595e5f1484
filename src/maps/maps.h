/** The map file: layout of docs/output-format.md. Created as NAME.part by one rank, filled in place
 * by all, finished (compressed, with statistics) and renamed. Also read back for figures. */
#ifndef CANTLE_MAPS_MAPS_H
#define CANTLE_MAPS_MAPS_H

#include "base/digest.h"
#include "curve/budget.h"
#include "curve/curve.h"
#include "curve/result.h"
#include "review/breaks.h"
#include "volume/volume.h"

#include <mpi.h>
#include <stdbool.h>

struct maps;
struct maps_parent; /* parent.h */

/** Everything that provenance needs and the floors below do not know. Borrowed during calls. */
struct maps_origin {
    const struct recipe *recipe;
    const struct curve_plan *plan;
    const struct volume_facts *volume;
    const char *command_line; /**< quoted so that it can be pasted back */
    size_t n_tiles;
    struct digest setup; /**< of all that the volume says beside samples (volume_setup_digest) */
    double checkpoint_s; /**< longest time between two savings of a rank's states */
    const char *mapping_path, *mapping_text; /**< import description of a foreign file, or NULL */
    const struct maps_parent *parent;        /**< the file that a refit starts from, or NULL */
};

/** Collective. Rank 0 creates PATH.part (ST_OUTPUT if PATH exists and not overwrite, or PATH.part
 *  exists); then all open it. All tiles are pending. */
enum status maps_create(struct maps **out, const char *path, bool overwrite,
                        const struct maps_origin *origin, MPI_Comm comm,
                        struct report *rep) MUST_CHECK;

/** What maps_resume found. */
struct maps_found {
    bool
        finished; /**< PATH is there, complete and made by this recipe and program: nothing to do */
    char digest[33]; /**< finished: of the input it was made from; "" when the volume's file has the
                          size and time of modification that it had then */
    uint64_t run;    /**< number of this run, 1 = there was none before */
    uint64_t pixels; /**< done by the runs before */
};

/** Collective. Go on with PATH.part: claim it, and find what is left to do. Without one as
 * maps_create. Errors: ST_OUTPUT when another run holds its lock and not take_over, or when it was
 * made from something else; the message names the key that differs. Nothing is changed then.
 *  *out stays NULL when found->finished. */
enum status maps_resume(struct maps **out, const char *path, bool overwrite, bool take_over,
                        const struct maps_origin *origin, MPI_Comm comm, struct maps_found *found,
                        struct report *rep) MUST_CHECK;

/** What earlier runs left of a tile. */
enum tile_left { TILE_PENDING, TILE_TORN, TILE_DONE };
enum tile_left maps_tile_left(const struct maps *m, size_t tile_index);
/** Of a torn tile: [rows*cols], 1 = the pixel is done. NULL for any other. */
const uint8_t *maps_tile_done(const struct maps *m, size_t tile_index);
/** The digest of the input's tile when it was done. */
struct digest maps_tile_digest(const struct maps *m, size_t tile_index);
/** "PATH.part" */
const char *maps_part_path(const struct maps *m);

/** Independent. Save the states of all tiles written so far: their values are on the disk first.
 * Errors: ST_OUTPUT, also when another run has taken the file over; nothing is written then. */
enum status maps_checkpoint(struct maps *m, struct report *rep) MUST_CHECK;

/** Independent. Write the results of a tile, or of a part of it ([rows*cols], row-major). The
 * states follow when the interval of checkpoints is over. */
enum status maps_write_tile(struct maps *m, size_t tile_index, struct tile t,
                            const struct pixel_result *results, struct digest digest,
                            struct report *rep) MUST_CHECK;

/** Collective, after the last tile. The pixel that stands for the map: of the accepted ones (of the
 * doubtful where there are none) that whose modulus is nearest to the median of accepted and
 * doubtful pixels; the first of equals. row, col in the volume's order.
 *  @param found  false when no such pixel has a modulus */
enum status maps_typical_pixel(struct maps *m, bool *found, size_t *row, size_t *col,
                               struct report *rep) MUST_CHECK;

/** Channels of the tip watch: two as natural logarithms, so that a step is a factor. */
enum { TIP_ADHESION, TIP_MODULUS, TIP_HEIGHT };

/** Numbers that the summary prints. */
struct maps_summary {
    size_t state[STATE_COUNT], flag[FLAG_COUNT];
    struct {
        size_t n;                           /**< accepted and doubtful pixels with a value */
        double median, q25, q75, low, high; /**< SI; low, high: 2nd and 98th percentile */
    } map[MAP_COUNT];
    char digest[33];
    struct breaks tip; /**< lines in the order of the volume; channels as TIP_CHANNELS */
};

/** Collective. Statistics, compression, durable, renamed to PATH; PATH.part removed. Frees m.
 *  @param budget  uncertainty of the whole map, same on all ranks; NULL = none */
enum status maps_finish(struct maps **m, const struct budget *budget, struct maps_summary *summary,
                        struct report *rep) MUST_CHECK;

/** Collective on an error path: save what is done, close without finishing; PATH.part is removed
 * (remove) or stays. */
void maps_drop(struct maps **m, bool remove);

/** A finished map file in memory, for figures and reports. */
struct maps_view {
    char path[512], title[256], source_path[512]; /**< source: the volume, as given */
    char *recipe_text;                            /**< as given */
    char *lever_text;                             /**< of its lever file; NULL = none */
    char *mapping_text;    /**< import description the volume was read with, "" if it had none */
    char *provenance_json; /**< the run: program, host, ranks, ... */
    size_t ny, nx;
    double *x_m, *y_m;         /**< ascending */
    bool y_flipped, x_flipped; /**< rows (columns) are in reverse order of the volume */
    struct map_extent extent; /**< further axes: length 0 where there is none; not which analyses */
    float *map[MAP_COUNT], *error[MAP_COUNT]; /**< [ny*nx] in the file's unit; NULL if not there */
    char unit[MAP_COUNT][16];
    uint8_t *state;
    uint64_t *flags;
    uint16_t *run_of_pixel; /**< 0 = pending, or copied from another file; NULL if not there */
    char *identity;         /**< what made the numbers (identity.h), "" if it does not say */
    char *refit_json;       /**< of a refit: what it was made from (parent.h); "" for a fresh map */
    char model[64], segment[16], space[16]; /**< of the fit; "" if the file does not say */
    int unknowns;                           /**< numbers that a fit found; 0 if not known */
    struct maps_summary summary;
    bool has_budget;
    struct budget budget; /**< row, col in the volume's order */
};

enum status maps_view_load(struct maps_view *out, const char *path, struct report *rep) MUST_CHECK;
/** A refit copied this pixel [0, ny*nx) from the file it started from, whose recipe made it. */
bool maps_view_copied(const struct maps_view *v, size_t pixel);
void maps_view_free(struct maps_view *v);
/** True if the file has the layout of a map file (finished or .part). */
bool maps_is_one(const char *path);

#endif
