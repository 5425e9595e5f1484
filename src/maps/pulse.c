#include "maps/pulse.h"

#include "base/watch.h"

enum pulse { PULSE_END, PULSE_BEAT, PULSE_CALL };

static int share(MPI_Comm comm, int pulse)
{
    watch_enter();
    MPI_Bcast(&pulse, 1, MPI_INT, 0, comm);
    watch_leave();
    return pulse;
}

void pulse_beat(void *comm)
{
    (void)share(*(MPI_Comm *)comm, PULSE_BEAT);
}

void pulse_end(MPI_Comm comm)
{
    (void)share(comm, PULSE_END);
}

void pulse_call(MPI_Comm comm)
{
    (void)share(comm, PULSE_CALL);
}

enum status pulse_follow(MPI_Comm comm, enum status (*help)(const void *what, struct report *rep),
                         const void *what, struct report *rep)
{
    enum status worst = ST_OK;
    for (int pulse; (pulse = share(comm, PULSE_BEAT)) != PULSE_END;) {
        if (pulse != PULSE_CALL) continue;
        enum status st = help(what, rep);
        if (st > worst) worst = st;
    }
    return worst;
}
