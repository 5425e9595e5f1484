#include "maps/gather.h"

#include "maps/places.h"

#include <stdlib.h>
#include <string.h>

enum status extents_add(struct extents *list, struct extent one, struct report *rep)
{
    if (list->n == list->room) {
        size_t room = 2 * list->room + 16;
        struct extent *more = realloc(list->each, room * sizeof *more);
        if (!more)
            return fail(rep, ST_MEMORY, "not enough memory for the places of %zu tiles", room);
        list->each = more;
        list->room = room;
    }
    list->each[list->n++] = one;
    return ST_OK;
}

void extents_free(struct extents *list)
{
    free(list->each);
    *list = (struct extents){0};
}

static int by_place(const void *a, const void *b)
{
    const struct extent *x = a, *y = b;
    return (x->at > y->at) - (x->at < y->at);
}

void extents_sort(struct extents *list)
{
    if (list->n > 1) qsort(list->each, list->n, sizeof *list->each, by_place);
}

int gather_write(int fd, const struct extents *list, uint64_t place, size_t bytes,
                 const void *numbers, unsigned char *room)
{
    const size_t most = GATHER_BYTES / bytes;
    uint64_t at = 0;
    size_t held = 0;
    for (size_t i = 0; i < list->n; i++) {
        const struct extent *e = &list->each[i];
        const char *from = (const char *)numbers + e->from * bytes;
        if (held > 0 && (e->at != at + held || held + e->n > most)) {
            if (place_write(fd, room, held * bytes, place + at * bytes) != 0) return -1;
            held = 0;
        }
        if (e->n > most) {
            if (place_write(fd, from, e->n * bytes, place + e->at * bytes) != 0) return -1;
            continue;
        }
        if (held == 0) at = e->at;
        memcpy(room + held * bytes, from, e->n * bytes);
        held += e->n;
    }
    return held > 0 ? place_write(fd, room, held * bytes, place + at * bytes) : 0;
}
