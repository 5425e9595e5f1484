/** Who takes which tile: arithmetic only. A static share first, so that most tiles need no
 * messages; the tail from a shared counter, since tiles with bad pixels cost more. */
#ifndef CANTLE_GRID_SCHEDULE_H
#define CANTLE_GRID_SCHEDULE_H

#include <stddef.h>

struct schedule {
    size_t tiles, ranks;
    size_t share; /**< static tiles of each rank */
};

/** Cut `tiles` for `ranks`: six tenths static when each rank has at least eight tiles, else none.
 */
struct schedule schedule_make(size_t tiles, size_t ranks);
/** The i-th static tile of a rank, i < share. */
size_t schedule_static(const struct schedule *s, size_t rank, size_t i);
/** The tile that a ticket of the shared counter (0, 1, ...) means; >= tiles when all are taken. */
size_t schedule_tail(const struct schedule *s, size_t ticket);

#endif
