/** The map file: layout of docs/output-format.md. Created as NAME.part by one rank, filled in place
 * by all, finished (compressed, with statistics) and renamed. Also read back for figures. */
#ifndef CANTLE_MAPS_MAPS_H
#define CANTLE_MAPS_MAPS_H

#include "base/digest.h"
#include "curve/budget.h"
#include "curve/curve.h"
#include "curve/result.h"
#include "volume/volume.h"

#include <mpi.h>
#include <stdbool.h>

struct maps;

/** Everything that provenance needs and the floors below do not know. Borrowed during calls. */
struct maps_origin {
    const struct recipe *recipe;
    const struct curve_plan *plan;
    const struct volume_facts *volume;
    const char *command_line; /**< quoted so that it can be pasted back */
    size_t n_tiles;
    const char *mapping_path, *mapping_text; /**< import description of a foreign file, or NULL */
};

/** Collective. Rank 0 creates PATH.part (ST_OUTPUT if PATH exists and not overwrite, or PATH.part
 *  exists); then all open it. */
enum status maps_create(struct maps **out, const char *path, bool overwrite,
                        const struct maps_origin *origin, MPI_Comm comm,
                        struct report *rep) MUST_CHECK;

/** Independent. Write the results of a tile ([rows*cols], row-major), values before state. */
enum status maps_write_tile(struct maps *m, size_t tile_index, struct tile t,
                            const struct pixel_result *results, struct digest digest,
                            struct report *rep) MUST_CHECK;

/** Collective, after the last tile. The pixel that stands for the map: of the accepted ones (of the
 * doubtful where there are none) that whose modulus is nearest to the median of accepted and
 * doubtful pixels; the first of equals. row, col in the volume's order.
 *  @param found  false when no such pixel has a modulus */
enum status maps_typical_pixel(struct maps *m, bool *found, size_t *row, size_t *col,
                               struct report *rep) MUST_CHECK;

/** Numbers that the summary prints. */
struct maps_summary {
    size_t state[STATE_COUNT], flag[FLAG_COUNT];
    struct {
        size_t n;                           /**< accepted and doubtful pixels with a value */
        double median, q25, q75, low, high; /**< SI; low, high: 2nd and 98th percentile */
    } map[MAP_COUNT];
    char digest[33];
};

/** Collective. Statistics, compression, durable, renamed to PATH; PATH.part removed. Frees m.
 *  @param budget  uncertainty of the whole map, same on all ranks; NULL = none */
enum status maps_finish(struct maps **m, const struct budget *budget, struct maps_summary *summary,
                        struct report *rep) MUST_CHECK;

/** Collective on an error path: close without finishing; PATH.part is removed (remove) or stays. */
void maps_drop(struct maps **m, bool remove);

/** A finished map file in memory, for figures and reports. */
struct maps_view {
    char path[512], title[256], source_path[512]; /**< source: the volume, as given */
    char *recipe_text;                            /**< as given */
    char *mapping_text;    /**< import description the volume was read with, "" if it had none */
    char *provenance_json; /**< the run: program, host, ranks, ... */
    size_t ny, nx;
    double *x_m, *y_m;         /**< ascending */
    bool y_flipped, x_flipped; /**< rows (columns) are in reverse order of the volume */
    float *map[MAP_COUNT], *error[MAP_COUNT]; /**< [ny*nx] in the file's unit; NULL if not there */
    char unit[MAP_COUNT][16];
    uint8_t *state;
    uint64_t *flags;
    struct maps_summary summary;
    bool has_budget;
    struct budget budget; /**< row, col in the volume's order */
};

enum status maps_view_load(struct maps_view *out, const char *path, struct report *rep) MUST_CHECK;
void maps_view_free(struct maps_view *v);
/** True if the file has the layout of a map file (finished or .part). */
bool maps_is_one(const char *path);

#endif
