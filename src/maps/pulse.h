/** While rank 0 works alone the others wait, and must know that it is alive: it sends a pulse after
 * each dataset, so that a long piece of work is not taken for a lost connection. */
#ifndef CANTLE_MAPS_PULSE_H
#define CANTLE_MAPS_PULSE_H

#include <mpi.h>

/** Rank 0: one pulse. `comm` points at an MPI_Comm (void, so that it fits h5put's hook). */
void pulse_beat(void *comm);
/** Rank 0: the work is over. */
void pulse_end(MPI_Comm comm);
/** The other ranks: take pulses until the end. */
void pulse_follow(MPI_Comm comm);

#endif
