#include "grid/board.h"

#include <stddef.h>

enum { TICKET, DONE, FAILED, NUMBERS };

static bool one_machine(MPI_Comm comm)
{
    MPI_Comm near;
    int all, here;
    MPI_Comm_split_type(comm, MPI_COMM_TYPE_SHARED, 0, MPI_INFO_NULL, &near);
    MPI_Comm_size(comm, &all);
    MPI_Comm_size(near, &here);
    MPI_Comm_free(&near);
    return all == here;
}

void board_open(struct board *b, MPI_Comm comm)
{
    int rank, unit = sizeof *b->memory;
    MPI_Comm_rank(comm, &rank);
    b->owner = rank == 0;
    b->direct = one_machine(comm);
    MPI_Aint size = b->owner ? NUMBERS * (MPI_Aint)sizeof *b->memory : 0;
    if (b->direct) {
        MPI_Win_allocate_shared(size, unit, MPI_INFO_NULL, comm, &b->memory, &b->window);
        MPI_Win_shared_query(b->window, 0, &size, &unit, &b->memory);
    } else {
        MPI_Win_allocate(size, unit, MPI_INFO_NULL, comm, &b->memory, &b->window);
    }
    MPI_Win_lock_all(MPI_MODE_NOCHECK, b->window);
    if (b->owner)
        for (int i = 0; i < NUMBERS; i++)
            b->memory[i] = 0;
    MPI_Win_sync(b->window);
    MPI_Barrier(comm);
    MPI_Win_sync(b->window);
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
    if (b->direct) return __atomic_fetch_add(&b->memory[which], amount, __ATOMIC_SEQ_CST);
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

void board_answer(struct board *b)
{
    int there;
    if (b->owner && !b->direct)
        MPI_Iprobe(MPI_ANY_SOURCE, MPI_ANY_TAG, MPI_COMM_WORLD, &there, MPI_STATUS_IGNORE);
}
