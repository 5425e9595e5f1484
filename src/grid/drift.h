/** First pass over some curves all over the map: the drift that they share. */
#ifndef CANTLE_GRID_DRIFT_H
#define CANTLE_GRID_DRIFT_H

#include "curve/curve.h"
#include "volume/volume.h"

#include <mpi.h>
#include <stdio.h>

/** Collective. Nothing to do unless plan->drift_from_volume; else sets plan->drift_seen and, where
 *  a walk is seen that matters, plan->drift_m; the same on all ranks and for any number of them.
 *  Looked at are at most 256 curves in at most 16 tiles, evenly taken, shared by the ranks
 *  (fit/walk.h).
 *  progress: for rank 0's line, NULL = silent. Errors: of reading; ST_MEMORY. */
enum status grid_drift(struct volume *v, struct curve_plan *plan, MPI_Comm comm, FILE *progress,
                       struct report *rep) MUST_CHECK;

#endif
