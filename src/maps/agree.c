#include "maps/agree.h"

#include "base/watch.h"

enum status agree(MPI_Comm comm, enum status mine, struct report *rep)
{
    struct {
        int status, rank;
    } local = {(int)mine, 0}, worst = {ST_BUG, 0};
    watch_enter();
    MPI_Comm_rank(comm, &local.rank);
    MPI_Allreduce(&local, &worst, 1, MPI_2INT, MPI_MAXLOC, comm);
    if (worst.status != ST_OK)
        MPI_Bcast(rep->text, (int)sizeof rep->text, MPI_CHAR, worst.rank, comm);
    watch_leave();
    return (enum status)worst.status;
}
