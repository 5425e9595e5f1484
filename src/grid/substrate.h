/** First pass over the bare substrate: the plane from which thickness is reckoned. */
#ifndef CANTLE_GRID_SUBSTRATE_H
#define CANTLE_GRID_SUBSTRATE_H

#include "curve/curve.h"
#include "volume/volume.h"

#include <mpi.h>
#include <stdio.h>

/** Collective. Nothing to do unless plan->thickness_from_substrate; else sets plan->substrate, the
 *  same on all ranks and for any number of them: contact heights of at most 4096 pixels of the
 *  substrate (evenly taken, in the order of tiles), shared by the ranks, and a robust plane through
 *  them (fit/plane.h). Every rank reads the whole of /grid/substrate.
 *  progress: for rank 0's line, NULL = silent.
 *  Errors: ST_INPUT where fewer than PLANE_FEWEST of them have a contact, or where they do not
 *  span the grid. */
enum status grid_substrate(struct volume *v, struct curve_plan *plan, MPI_Comm comm, FILE *progress,
                           struct report *rep) MUST_CHECK;

#endif
