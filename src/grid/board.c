#include "grid/board.h"

enum { TICKET, DONE, FAILED, NUMBERS };

void board_open(struct board *b, MPI_Comm comm)
{
    int rank;
    MPI_Comm_rank(comm, &rank);
    MPI_Win_allocate(rank == 0 ? NUMBERS * (MPI_Aint)sizeof *b->memory : 0, sizeof *b->memory,
                     MPI_INFO_NULL, comm, &b->memory, &b->window);
    MPI_Win_lock_all(MPI_MODE_NOCHECK, b->window);
    if (rank == 0) {
        for (int i = 0; i < NUMBERS; i++)
            b->memory[i] = 0;
        MPI_Win_sync(b->window);
    }
    MPI_Barrier(comm);
    b->open = true;
}

void board_close(struct board *b)
{
    if (!b->open) return;
    MPI_Win_unlock_all(b->window);
    MPI_Win_free(&b->window);
    b->open = false;
}

static int64_t add(struct board *b, int which, int64_t amount)
{
    int64_t before = 0;
    MPI_Fetch_and_op(&amount, &before, MPI_INT64_T, 0, which, amount ? MPI_SUM : MPI_NO_OP,
                     b->window);
    MPI_Win_flush(0, b->window);
    return before;
}

uint64_t board_take_ticket(struct board *b)
{
    return (uint64_t)add(b, TICKET, 1);
}

uint64_t board_add_done(struct board *b, uint64_t pixels)
{
    return (uint64_t)add(b, DONE, (int64_t)pixels) + pixels;
}

void board_raise_failure(struct board *b)
{
    add(b, FAILED, 1);
}

bool board_has_failure(struct board *b)
{
    return add(b, FAILED, 0) > 0;
}
