#include "intake/quadrants.h"

#include <stdlib.h>
#include <string.h>

struct quadrants {
    struct array base;
    struct array *part[QUADRANTS];
    char *buffer; /* of one part, before it is spread */
    size_t room;
};

static enum status make_room(struct quadrants *q, size_t bytes, struct report *rep)
{
    if (bytes <= q->room) return ST_OK;
    free(q->buffer);
    q->buffer = malloc(bytes);
    q->room = q->buffer ? bytes : 0;
    return q->buffer ? ST_OK
                     : fail(rep, ST_MEMORY, "not enough memory to read %zu bytes of %s", bytes,
                            q->base.name);
}

static enum status quadrants_read(struct array *self, const size_t *start, const size_t *count,
                                  void *out, struct report *rep)
{
    struct quadrants *q = (struct quadrants *)self;
    int last = self->rank - 1;
    size_t size = number_size(self->number), n = 1, side = count[last];
    for (int i = 0; i < last; i++)
        n *= count[i];
    enum status st = make_room(q, n * size, rep);
    for (size_t k = 0; k < side && st == ST_OK; k++) {
        struct array *part = q->part[start[last] + k];
        st = part->read(part, start, count, q->buffer, rep);
        char *to = (char *)out + k * size;
        for (size_t i = 0; i < n && st == ST_OK; i++, to += side * size)
            memcpy(to, q->buffer + i * size, size);
    }
    return st;
}

static void drop_parts(struct array *part[QUADRANTS])
{
    for (int i = 0; i < QUADRANTS; i++)
        part[i]->drop(part[i]);
}

static void quadrants_drop(struct array *self)
{
    struct quadrants *q = (struct quadrants *)self;
    drop_parts(q->part);
    free(q->buffer);
    free(q);
}

enum status quadrants_alike(const struct array *first, const struct array *a, struct report *rep)
{
    char shape[2][160];
    if (a->number == first->number && a->rank == first->rank && a->backwards == first->backwards &&
        memcmp(a->dims, first->dims, (size_t)a->rank * sizeof *a->dims) == 0)
        return ST_OK;
    array_shape(first, shape[0], sizeof shape[0]);
    array_shape(a, shape[1], sizeof shape[1]);
    return fail(rep, ST_INPUT, "%s is %s, but %s is %s%s; the four quadrants must be alike",
                a->name, shape[1], first->name, shape[0],
                a->backwards != first->backwards ? ", in the other order (C, Fortran)" : "");
}

enum status array_quadrants(struct array **out, struct array *part[QUADRANTS], struct report *rep)
{
    *out = NULL;
    enum status st = part[0]->rank < MOST_RANK
                         ? ST_OK
                         : fail(rep, ST_INPUT,
                                "%s: has %d axes, one too many to put four quadrants beside it",
                                part[0]->name, part[0]->rank);
    struct quadrants *q = st == ST_OK ? calloc(1, sizeof *q) : NULL;
    if (st == ST_OK && !q) st = fail(rep, ST_MEMORY, "not enough memory to open four quadrants");
    if (st != ST_OK) {
        drop_parts(part);
        return st;
    }
    q->base = *part[0];
    q->base.read = quadrants_read;
    q->base.drop = quadrants_drop;
    q->base.dims[q->base.rank] = QUADRANTS;
    q->base.chunk[q->base.rank] = q->base.chunk[0] ? QUADRANTS : 0;
    q->base.rank++;
    for (int i = 0; i < QUADRANTS; i++) {
        q->part[i] = part[i];
        if (i > 0) q->base.stored_bytes += part[i]->stored_bytes;
    }
    *out = &q->base;
    return ST_OK;
}
