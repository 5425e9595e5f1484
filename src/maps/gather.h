/** Many small blocks into few writes: blocks that follow each other in the file go together. A
 * write that covers part of a disk's block makes the system read that block first, so hundreds of
 * bytes at a time cost more than the bytes are worth. */
#ifndef CANTLE_MAPS_GATHER_H
#define CANTLE_MAPS_GATHER_H

#include "base/status.h"

#include <stddef.h>
#include <stdint.h>

/** Numbers that stand together in memory and in the file. All in numbers, not bytes. */
struct extent {
    uint64_t at;    /**< in the file's array */
    size_t from, n; /**< in the memory's array; how many */
};

/** A list that grows. Owned; {0} is empty. */
struct extents {
    struct extent *each; /**< [n] */
    size_t n, room;
};

/** Put one at the end. Errors: ST_MEMORY. */
enum status extents_add(struct extents *list, struct extent one, struct report *rep) MUST_CHECK;
void extents_free(struct extents *list);
/** In the order of the file, as gather_write wants them. */
void extents_sort(struct extents *list);

/** Room that gather_write needs. */
enum { GATHER_BYTES = 256 << 10 };

/** Write extents of an array of numbers, `bytes` each.
 * @param place  of the array in the file, bytes
 * @param numbers  what extent.from counts in
 * @param room  [GATHER_BYTES]
 * @return 0, or -1 with errno */
int gather_write(int fd, const struct extents *list, uint64_t place, size_t bytes,
                 const void *numbers, unsigned char *room);

#endif
