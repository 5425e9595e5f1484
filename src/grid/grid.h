/** Many pixels: tiles on ranks, from the volume through the analysis into the maps. */
#ifndef CANTLE_GRID_GRID_H
#define CANTLE_GRID_GRID_H

#include "base/progress.h"
#include "curve/budget.h"
#include "curve/curve.h"
#include "maps/maps.h"
#include "volume/volume.h"

#include <mpi.h>

struct grid_job {
    struct volume *volume; /**< this rank's own handle */
    const struct curve_plan *plan;
    struct maps *maps;
    MPI_Comm comm;
    FILE *progress; /**< stream for rank 0's progress, NULL = silent */
};

/** Collective. Every tile is read, analysed and written by one rank. Returns the same status on all
 *  ranks: the worst of them, with its text. When one rank fails the others stop at their next tile.
 */
enum status grid_run(const struct grid_job *job, struct report *rep) MUST_CHECK;

/** Collective, after grid_run. The uncertainty of the whole map at its typical pixel; the draws of
 * the Monte Carlo are shared by all ranks, with the same numbers for any number of them.
 *  @param there  false when no pixel has a result */
enum status grid_budget(const struct grid_job *job, struct budget *out, bool *there,
                        struct report *rep) MUST_CHECK;

/** About how many bytes one rank needs, the program itself included; for `describe`. Rank 0 needs
 * 29 bytes a pixel of it to finish the file. */
size_t grid_memory(const struct volume_facts *facts);

#endif
