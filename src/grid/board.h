/** Numbers that all ranks see: ticket counter, pixels done, and a flag that one of them failed.
 * They live in rank 0's memory and are changed by one-sided operations, so nobody waits for
 * anybody. */
#ifndef CANTLE_GRID_BOARD_H
#define CANTLE_GRID_BOARD_H

#include <mpi.h>
#include <stdbool.h>
#include <stdint.h>

struct board {
    bool open;
    MPI_Win window;
    int64_t *memory; /**< rank 0: the numbers; others: nothing */
};

/** Collective; cannot fail on one rank alone (MPI ends the job when it cannot). */
void board_open(struct board *b, MPI_Comm comm);
/** Collective. Nothing to do for a board that was never opened. */
void board_close(struct board *b);

uint64_t board_take_ticket(struct board *b);
/** Add to the pixels done; returns the new total. */
uint64_t board_add_done(struct board *b, uint64_t pixels);
void board_raise_failure(struct board *b);
bool board_has_failure(struct board *b);

#endif
