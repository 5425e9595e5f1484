#include "grid/stop.h"

#include "base/clock.h"
#include "base/signals.h"
#include "base/watch.h"

#include <stdio.h>

struct stop stop_begin(double after_s)
{
    return (struct stop){clock_s() + after_s, after_s};
}

int stop_asked(const struct stop *s)
{
    int number = signals_caught();
    if (number) return number;
    return s->after_s > 0 && clock_s() >= s->at_s ? STOP_TIME : 0;
}

void stop_words(const struct stop *s, MPI_Comm comm, char *out, size_t size)
{
    int reason = stop_asked(s);
    watch_enter();
    /* the smallest that is one: a signal tells more than the clock */
    if (reason == 0) reason = STOP_TIME + 1;
    MPI_Allreduce(MPI_IN_PLACE, &reason, 1, MPI_INT, MPI_MIN, comm);
    watch_leave();
    if (reason == STOP_TIME)
        snprintf(out, size, "the %g s of --stop-after are over", s->after_s);
    else
        snprintf(out, size, "%s came", signals_name(reason));
}
