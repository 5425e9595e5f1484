#include "grid/board.h"

#include "base/clock.h"
#include "base/watch.h"

#include <stddef.h>
#include <time.h>

enum { TICKET, MET = TICKET + PASS_COUNT, DONE = MET + PASS_COUNT, HALT, BEAT, NUMBERS };

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

void board_open(struct board *b, MPI_Comm comm, double beat_s)
{
    int rank, unit = sizeof *b->memory;
    watch_enter();
    MPI_Comm_rank(comm, &rank);
    b->owner = rank == 0;
    b->direct = one_machine(comm);
    b->beat_s = beat_s;
    b->beaten_s = b->poked_s = clock_s();
    b->comm = comm;
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
    watch_leave();
    b->open = true;
}

void board_close(struct board *b)
{
    if (!b->open) return;
    watch_enter();
    MPI_Win_unlock_all(b->window);
    MPI_Win_free(&b->window);
    watch_leave();
    b->open = false;
}

/* No watch here: board_meet asks many times within one wait. */
static int64_t add_quietly(struct board *b, int which, int64_t amount)
{
    int64_t before = 0;
    if (b->direct) return __atomic_fetch_add(&b->memory[which], amount, __ATOMIC_SEQ_CST);
    MPI_Fetch_and_op(&amount, &before, MPI_INT64_T, 0, which, amount ? MPI_SUM : MPI_NO_OP,
                     b->window);
    MPI_Win_flush(0, b->window);
    return before;
}

static int64_t add(struct board *b, int which, int64_t amount)
{
    watch_enter();
    int64_t before = add_quietly(b, which, amount);
    watch_leave();
    return before;
}

uint64_t board_take_ticket(struct board *b, enum board_pass pass)
{
    return (uint64_t)add(b, TICKET + (int)pass, 1);
}

uint64_t board_add_done(struct board *b, uint64_t pixels)
{
    return (uint64_t)add(b, DONE, (int64_t)pixels) + pixels;
}

/* One number says both, so that a look before each tile costs one message: stops count ones,
 * failures count this. */
static const int64_t one_failure = INT64_C(1) << 32;

void board_raise(struct board *b, enum board_halt why)
{
    add(b, HALT, why == BOARD_FAILED ? one_failure : 1);
}

enum board_halt board_read_halt(struct board *b)
{
    int64_t halt = add(b, HALT, 0);
    return halt >= one_failure ? BOARD_FAILED : halt > 0 ? BOARD_STOP : BOARD_GO;
}

void board_beat(struct board *b)
{
    const double now = clock_s(), often_s = 0.005;
    int unused;
    if (now - b->poked_s < often_s) return;
    b->poked_s = now;
    if (b->owner && !b->direct)
        MPI_Iprobe(MPI_ANY_SOURCE, MPI_ANY_TAG, b->comm, &unused, MPI_STATUS_IGNORE);
    if (now - b->beaten_s < b->beat_s) return;
    b->beaten_s = now;
    add(b, BEAT, 1);
}

void board_meet(struct board *b, enum board_pass pass)
{
    /* a network is not to be asked often, memory may be */
    const long longest_ns = b->direct ? 1000000 : 10000000;
    struct timespec pause = {0, 200000};
    int64_t seen = -1;
    int ranks;
    MPI_Comm_size(b->comm, &ranks);
    watch_enter();
    add_quietly(b, MET + (int)pass, 1);
    while (add_quietly(b, MET + (int)pass, 0) < ranks) {
        int64_t beats = add_quietly(b, BEAT, 0) + add_quietly(b, DONE, 0);
        if (beats != seen) watch_alive();
        seen = beats;
        nanosleep(&pause, NULL);
        if (pause.tv_nsec < longest_ns) pause.tv_nsec *= 2;
    }
    watch_leave();
}
