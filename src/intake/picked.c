#include "intake/picked.h"

#include <stdlib.h>
#include <string.h>

struct curve_list *curve_list_new(size_t ny, size_t nx, size_t n)
{
    struct curve_list *list = calloc(1, sizeof *list);
    size_t pixels = ny * nx;
    if (list) list->at = malloc(pixels * sizeof *list->at);
    if (!list || !list->at) {
        free(list);
        return NULL;
    }
    for (size_t i = 0; i < pixels; i++)
        list->at[i] = NO_CURVE;
    list->ny = ny;
    list->nx = nx;
    list->n = n;
    list->users = 1;
    return list;
}

struct curve_list *curve_list_share(struct curve_list *list)
{
    if (list) list->users++;
    return list;
}

void curve_list_drop(struct curve_list **list)
{
    struct curve_list *old = *list;
    *list = NULL;
    if (!old || --old->users > 0) return;
    free(old->at);
    free(old->starts);
    free(old->lengths);
    free(old);
}

struct picked {
    struct view view;
    struct array *array;
    struct axes axes; /* in the order of the array's dims */
    size_t first, last;
    struct curve_list *list;
    char *buffer;
    size_t buffer_bytes;
};

static enum status make_room(struct picked *p, size_t bytes, struct report *rep)
{
    if (bytes <= p->buffer_bytes) return ST_OK;
    free(p->buffer);
    p->buffer = malloc(bytes);
    p->buffer_bytes = p->buffer ? bytes : 0;
    return p->buffer ? ST_OK
                     : fail(rep, ST_MEMORY, "not enough memory to read %zu bytes of %s", bytes,
                            p->array->name);
}

/* Elements of the block, in the array's order, to their places: stride of each axis in elements. */
static void scatter(const char *in, size_t size, int rank, const size_t *count,
                    const ptrdiff_t *stride, char *out)
{
    size_t at[MOST_RANK] = {0};
    ptrdiff_t offset = 0;
    size_t inner = rank ? count[rank - 1] : 1;
    ptrdiff_t step = rank ? stride[rank - 1] : 0;
    for (;;) {
        if (step == 1) {
            memcpy(out + offset * (ptrdiff_t)size, in, inner * size);
            in += inner * size;
        } else {
            for (size_t i = 0; i < inner; i++, in += size)
                memcpy(out + (offset + (ptrdiff_t)i * step) * (ptrdiff_t)size, in, size);
        }
        int axis = rank - 2;
        for (; axis >= 0; axis--) {
            offset += stride[axis];
            if (++at[axis] < count[axis]) break;
            offset -= stride[axis] * (ptrdiff_t)count[axis];
            at[axis] = 0;
        }
        if (axis < 0) return;
    }
}

/* One block of the array: `pixels` curves of a list from `curve`, or rows and columns. */
static enum status read_block(struct picked *p, const size_t start[4], const size_t count[4],
                              size_t curve, size_t pixels, char *out, struct report *rep)
{
    size_t from[MOST_RANK], n[MOST_RANK], total = 1, size = number_size(p->array->number);
    ptrdiff_t stride[MOST_RANK];
    bool four = axes_find(&p->axes, AXIS_QUADRANT) >= 0, back = p->last < p->first;
    size_t quads = four ? count[3] : 1;
    for (int i = 0; i < p->axes.rank; i++) {
        n[i] = 1;
        stride[i] = 0;
        switch (p->axes.role[i]) {
        case AXIS_ROW:
            from[i] = start[0], n[i] = count[0];
            stride[i] = (ptrdiff_t)(count[1] * count[2] * quads);
            break;
        case AXIS_COLUMN:
            from[i] = start[1], n[i] = count[1];
            stride[i] = (ptrdiff_t)(count[2] * quads);
            break;
        case AXIS_CURVE:
            from[i] = curve, n[i] = pixels;
            stride[i] = (ptrdiff_t)(count[2] * quads);
            break;
        case AXIS_SAMPLE:
            from[i] = back ? p->first - start[2] - count[2] + 1 : p->first + start[2];
            n[i] = count[2];
            stride[i] = back ? -(ptrdiff_t)quads : (ptrdiff_t)quads;
            if (back) out += (count[2] - 1) * quads * size;
            break;
        case AXIS_QUADRANT:
            from[i] = start[3], n[i] = count[3];
            stride[i] = 1;
            break;
        case AXIS_FIXED:
            from[i] = p->axes.fixed[i];
            break;
        }
        total *= n[i];
    }
    enum status st = make_room(p, total * size, rep);
    if (st == ST_OK) st = p->array->read(p->array, from, n, p->buffer, rep);
    if (st == ST_OK) scatter(p->buffer, size, p->axes.rank, n, stride, out);
    return st;
}

static enum status picked_read(struct view *self, const size_t start[4], const size_t count[4],
                               void *out, struct report *rep)
{
    struct picked *p = (struct picked *)self;
    if (axes_find(&p->axes, AXIS_CURVE) < 0) return read_block(p, start, count, 0, 0, out, rep);
    enum status st = ST_OK;
    bool four = axes_find(&p->axes, AXIS_QUADRANT) >= 0;
    size_t pixel = count[2] * (four ? count[3] : 1) * number_size(p->array->number);
    char *to = out;
    for (size_t row = start[0]; row < start[0] + count[0] && st == ST_OK; row++)
        for (size_t col = start[1]; col < start[1] + count[1] && st == ST_OK;) {
            const size_t *at = p->list->at + row * p->list->nx + col;
            size_t most = start[1] + count[1] - col, run = 1;
            while (run < most && *at != NO_CURVE && at[run] == *at + run)
                run++;
            if (*at == NO_CURVE)
                memset(to, 0, pixel);
            else
                st = read_block(p, start, count, *at, run, to, rep);
            to += run * pixel;
            col += run;
        }
    return st;
}

static void picked_drop(struct view *self)
{
    struct picked *p = (struct picked *)self;
    p->array->drop(p->array);
    curve_list_drop(&p->list);
    free(p->buffer);
    free(p);
}

static void find_chunk(struct picked *p)
{
    static const int place[] = {
        [AXIS_ROW] = 0, [AXIS_COLUMN] = 1, [AXIS_SAMPLE] = 2, [AXIS_QUADRANT] = 3};
    struct view *v = &p->view;
    v->deflate = p->array->deflate;
    v->shuffle = p->array->shuffle;
    v->stored_bytes = p->array->stored_bytes;
    if (p->array->chunk[0] == 0 || axes_find(&p->axes, AXIS_CURVE) >= 0) return;
    for (int i = 0; i < 4; i++)
        v->chunk[i] = 1;
    for (int i = 0; i < p->axes.rank; i++)
        if (p->axes.role[i] != AXIS_FIXED) v->chunk[place[p->axes.role[i]]] = p->array->chunk[i];
}

static enum status check_axes(const struct picked *p, struct report *rep)
{
    for (int i = 0; i < p->axes.rank; i++) {
        size_t most = p->axes.role[i] == AXIS_FIXED    ? p->axes.fixed[i]
                      : p->axes.role[i] != AXIS_SAMPLE ? 0
                                                       : (p->first > p->last ? p->first : p->last);
        if (most >= p->array->dims[i])
            return fail(rep, ST_INPUT,
                        "%s: index %zu was asked for along an axis of length %zu (counted from 0)",
                        p->array->name, most, p->array->dims[i]);
    }
    return ST_OK;
}

enum status view_picked(struct view **out, struct array *array, const struct axes *axes,
                        size_t first, size_t last, struct curve_list *list, struct report *rep)
{
    struct picked *p = calloc(1, sizeof *p);
    *out = NULL;
    if (!p) {
        array->drop(array);
        return fail(rep, ST_MEMORY, "not enough memory to read an array");
    }
    *p = (struct picked){.array = array, .axes = *axes, .first = first, .last = last};
    p->list = curve_list_share(list);
    p->view.read = picked_read;
    p->view.drop = picked_drop;
    find_chunk(p);
    enum status st = check_axes(p, rep);
    if (st == ST_OK)
        *out = &p->view;
    else
        picked_drop(&p->view);
    return st;
}

/* --- curves of different lengths --- */

struct ragged {
    struct view view;
    struct array *array;
    struct curve_list *list;
};

static enum status ragged_read(struct view *self, const size_t start[4], const size_t count[4],
                               void *out, struct report *rep)
{
    struct ragged *r = (struct ragged *)self;
    size_t size = number_size(r->array->number);
    enum status st = ST_OK;
    char *to = out;
    memset(out, 0, count[0] * count[1] * count[2] * size);
    for (size_t row = start[0]; row < start[0] + count[0]; row++)
        for (size_t col = start[1]; col < start[1] + count[1] && st == ST_OK;
             col++, to += count[2] * size) {
            size_t curve = r->list->at[row * r->list->nx + col];
            if (curve == NO_CURVE || r->list->lengths[curve] <= start[2]) continue;
            size_t first = r->list->starts[curve] + start[2];
            size_t n = r->list->lengths[curve] - start[2];
            if (n > count[2]) n = count[2];
            st = r->array->read(r->array, &first, &n, to, rep);
        }
    return st;
}

static void ragged_drop(struct view *self)
{
    struct ragged *r = (struct ragged *)self;
    r->array->drop(r->array);
    curve_list_drop(&r->list);
    free(r);
}

enum status view_ragged(struct view **out, struct array *array, struct curve_list *list,
                        struct report *rep)
{
    struct ragged *r = calloc(1, sizeof *r);
    *out = NULL;
    if (!r) {
        array->drop(array);
        return fail(rep, ST_MEMORY, "not enough memory to read an array");
    }
    *r = (struct ragged){.array = array, .list = curve_list_share(list)};
    r->view.read = ragged_read;
    r->view.drop = ragged_drop;
    r->view.stored_bytes = array->stored_bytes;
    *out = &r->view;
    return ST_OK;
}
