/** Many pixels: tiles on ranks, from the volume through the analysis into the maps. */
#ifndef CANTLE_GRID_GRID_H
#define CANTLE_GRID_GRID_H

#include "base/progress.h"
#include "curve/budget.h"
#include "curve/curve.h"
#include "grid/stop.h"
#include "maps/maps.h"
#include "volume/volume.h"

#include <mpi.h>

struct grid_job {
    struct volume *volume; /**< this rank's own handle */
    const struct curve_plan *plan;
    struct maps *maps;
    MPI_Comm comm;
    FILE *progress; /**< stream for rank 0's progress, NULL = silent */
    struct stop stop;
    double beat_s;        /**< a rank at work gives a sign of life at least that often */
    uint64_t pixels_done; /**< by earlier runs: not computed again */
    const struct maps_parent *parent; /**< a refit starts from it; NULL: a fresh map */
};

/** Collective. Every tile that is left is read, analysed and written by one rank; before that the
 * samples of those that earlier runs have done are compared with what these runs read. Returns the
 * same status on all ranks: the worst of them, with its text. When one rank fails, or is asked to
 * stop (ST_STOPPED), the others stop at their next tile. What was done is saved in any case. */
enum status grid_run(const struct grid_job *job, struct report *rep) MUST_CHECK;

/** Collective, after grid_run. The uncertainty of the whole map at its typical pixel; the draws of
 * the Monte Carlo are shared by all ranks, with the same numbers for any number of them.
 *  @param there  false when no pixel has a result */
enum status grid_budget(const struct grid_job *job, struct budget *out, bool *there,
                        struct report *rep) MUST_CHECK;

/** Collective. Digest of the whole input, tiles shared by all ranks. progress: for rank 0's line,
 * NULL = silent. */
enum status grid_digest(struct volume *volume, MPI_Comm comm, FILE *progress, struct digest *out,
                        struct report *rep) MUST_CHECK;

/** About how many bytes one rank needs, the program itself included, with all analyses; for
 * `describe`. Rank 0 needs up to 159 bytes a pixel of it to finish the file, the others somewhat
 * less. */
size_t grid_memory(const struct volume_facts *facts);

#endif
