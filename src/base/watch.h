/** A watch over waiting: a process that waits for others longer than a limit is ended, since a
 * cut connection lets it wait for ever. Only the time between watch_enter and watch_leave counts,
 * so that neither a slow disk nor a long computation is taken for a lost peer. */
#ifndef CANTLE_BASE_WATCH_H
#define CANTLE_BASE_WATCH_H

#include "base/status.h"

/** Start the watching thread. One watch per process; every other function here does nothing
 * without it.
 *  @param limit_s  longest wait; 0 or less: no watch
 *  @param words  printed on stderr before the end, owned by the caller until the end */
enum status watch_start(double limit_s, int exit_status, const char *words,
                        struct report *rep) MUST_CHECK;

/** What to save when the wait is given up: `save(what)`; NULL = nothing. */
void watch_save(void (*save)(void *what), void *what);

void watch_enter(void); /**< now I wait for others */
void watch_leave(void); /**< now I do not */
void watch_alive(void); /**< waiting goes on, but I have seen that others are alive */

/** Everything that matters is done: when the wait is given up from now on, end with this status and
 * without words. */
void watch_outcome(int exit_status);

#endif
