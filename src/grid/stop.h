/** When a run is to stop before its end: a signal came, or the time it was given is over. */
#ifndef CANTLE_GRID_STOP_H
#define CANTLE_GRID_STOP_H

#include <mpi.h>
#include <stddef.h>

/** The time that a run has, counted from `stop_begin`. */
struct stop {
    double at_s, after_s; /**< monotonic clock; given, 0 or less = no limit */
};

struct stop stop_begin(double after_s);

/** Why this rank is to stop: 0 = it is not, a signal's number, or STOP_TIME. */
enum { STOP_TIME = 1000 };
int stop_asked(const struct stop *s);

/** Collective. The reason of any rank that has one, in words: "SIGTERM came", "the 90 s of
 * --stop-after are over". */
void stop_words(const struct stop *s, MPI_Comm comm, char *out, size_t size);

#endif
