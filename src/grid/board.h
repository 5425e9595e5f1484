/** Numbers that all ranks see: ticket counter, pixels done, and a flag that one of them failed.
 * They live in rank 0's memory. Ranks of one machine change them directly, by atomic operations;
 * over several machines by MPI's one-sided ones, which some networks do by themselves and others
 * only while rank 0 is inside an MPI call: hence board_answer. */
#ifndef CANTLE_GRID_BOARD_H
#define CANTLE_GRID_BOARD_H

#include <mpi.h>
#include <stdbool.h>
#include <stdint.h>

struct board {
    bool open, owner;
    MPI_Win window;
    int64_t *memory; /**< rank 0: the numbers; others the same if direct, else nothing */
    bool direct;     /**< all ranks reach the numbers */
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

/** Let MPI answer the other ranks' questions: to be called now and then during long work; costs
 * next to nothing where there is nobody to answer. */
void board_answer(struct board *b);

#endif
