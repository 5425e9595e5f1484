/** While rank 0 works alone the others wait, and must know that it is alive: it sends a pulse after
 * each dataset, so that a long piece of work is not taken for a lost connection. */
#ifndef CANTLE_MAPS_PULSE_H
#define CANTLE_MAPS_PULSE_H

#include "base/status.h"

#include <mpi.h>

/** Rank 0: one pulse. `comm` points at an MPI_Comm (void, so that it fits h5put's hook). */
void pulse_beat(void *comm);
/** Rank 0: the work is over. */
void pulse_end(MPI_Comm comm);
/** Rank 0: the others are to help now, and rank 0 begins its side of it. */
void pulse_call(MPI_Comm comm);
/** The other ranks: take pulses until the end, and do `help(what)` when called; NULL: never called.
 * @return the worst status of the help */
enum status pulse_follow(MPI_Comm comm, enum status (*help)(const void *what, struct report *rep),
                         const void *what, struct report *rep) MUST_CHECK;

#endif
