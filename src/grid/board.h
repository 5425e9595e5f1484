/** Numbers that all ranks see: ticket counters, pixels done, and the word that all are to stop.
 * They live in rank 0's memory. Ranks of one machine change them directly, by atomic operations;
 * over several machines by MPI's one-sided ones, which some networks do by themselves and others
 * only while rank 0 is inside an MPI call: hence board_beat. */
#ifndef CANTLE_GRID_BOARD_H
#define CANTLE_GRID_BOARD_H

#include <mpi.h>
#include <stdbool.h>
#include <stdint.h>

/** Tiles are gone through twice: those of earlier runs are looked at, those that are left done. */
enum board_pass { PASS_CHECK, PASS_WORK, PASS_COUNT };

struct board {
    bool open, owner;
    MPI_Comm comm;
    MPI_Win window;
    int64_t *memory;          /**< rank 0: the numbers; others the same if direct, else nothing */
    bool direct;              /**< all ranks reach the numbers */
    double beat_s;            /**< a sign of life at least that often, in seconds */
    double beaten_s, poked_s; /**< when the last ones were */
};

/** What a rank reads before each tile. */
enum board_halt { BOARD_GO, BOARD_STOP, BOARD_FAILED };

/** Collective; cannot fail on one rank alone (MPI ends the job when it cannot).
 *  @param beat_s  how often a rank that works must say that it is alive */
void board_open(struct board *b, MPI_Comm comm, double beat_s);
/** Collective. Nothing to do for a board that was never opened. */
void board_close(struct board *b);

uint64_t board_take_ticket(struct board *b, enum board_pass pass);
/** Add to the pixels done; returns the new total. */
uint64_t board_add_done(struct board *b, uint64_t pixels);

/** All ranks are to stop at their next tile: because of a failure, or because somebody was asked
 * to. */
void board_raise(struct board *b, enum board_halt why);
enum board_halt board_read_halt(struct board *b);

/** Call it often while working: a sign of life for those who wait, and, on rank 0, a hand for those
 * who want to change the board over a network. Costs two looks at the clock. */
void board_beat(struct board *b);

/** Collective. Wait until all ranks have come here in this pass; as long as anybody gives signs of
 * life the watch over waiting (base/watch.h) is content. */
void board_meet(struct board *b, enum board_pass pass);

#endif
