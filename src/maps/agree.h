/** One status for all ranks. */
#ifndef CANTLE_MAPS_AGREE_H
#define CANTLE_MAPS_AGREE_H

#include "base/status.h"

#include <mpi.h>

/** Collective. @return the worst (largest) status of all ranks; then rep->text on every rank is
 * that of the lowest rank that had it. With ST_OK on all ranks the texts are left alone. */
enum status agree(MPI_Comm comm, enum status mine, struct report *rep) MUST_CHECK;

#endif
