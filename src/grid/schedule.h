/** Who takes which tile: arithmetic only. A static share first, so that most tiles need no
 * messages; the tail from a shared counter, since tiles with bad pixels cost more. Tickets hand out
 * runs of tiles, long ones first: what lies together is written together, and the counter is asked
 * less; the last are single tiles, so that all ranks end at about the same time. */
#ifndef CANTLE_GRID_SCHEDULE_H
#define CANTLE_GRID_SCHEDULE_H

#include <stddef.h>

struct schedule {
    size_t tiles, ranks;
    size_t share; /**< static tiles of each rank */
};

/** Tiles that follow each other. */
struct tile_run {
    size_t first, n;
};

/** Cut `tiles` for `ranks`: six tenths static when each rank has at least eight tiles, else none.
 */
struct schedule schedule_make(size_t tiles, size_t ranks);
/** The static tiles of a rank. */
struct tile_run schedule_static(const struct schedule *s, size_t rank);
/** What a ticket of the shared counter (0, 1, ...) means: in each round every rank can have a run,
 * together a quarter of what is left. n = 0 when all are taken. */
struct tile_run schedule_tail(const struct schedule *s, size_t ticket);

#endif
