#include "intake/array.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* --- HDF5 --- */

struct hdf5_array {
    struct array base;
    struct dataset set;
};

static enum status hdf5_read(struct array *self, const size_t *start, const size_t *count,
                             void *out, struct report *rep)
{
    struct hdf5_array *a = (struct hdf5_array *)self;
    return dataset_read(&a->set, start, count, number_memory(a->set.number), out, rep);
}

static void hdf5_drop(struct array *self)
{
    dataset_close(&((struct hdf5_array *)self)->set);
    free(self);
}

enum status array_hdf5(struct array **out, struct source *source, const char *name,
                       struct report *rep)
{
    struct hdf5_array *a = calloc(1, sizeof *a);
    *out = NULL;
    if (!a) return fail(rep, ST_MEMORY, "not enough memory to open %s", name);
    if (strlen(name) >= sizeof a->set.name) {
        free(a);
        return fail(rep, ST_INPUT, "%s: its path is longer than 95 bytes", name);
    }
    enum status st = dataset_open(&a->set, source, name, rep);
    if (st != ST_OK) {
        free(a);
        return st;
    }
    a->base = (struct array){.number = a->set.number,
                             .rank = a->set.rank,
                             .deflate = a->set.deflate,
                             .shuffle = a->set.shuffle,
                             .stored_bytes = a->set.stored_bytes,
                             .attributes = a->set.id,
                             .read = hdf5_read,
                             .drop = hdf5_drop};
    snprintf(a->base.name, sizeof a->base.name, "%s", name);
    memcpy(a->base.dims, a->set.dims, sizeof a->base.dims);
    if (a->set.chunked) memcpy(a->base.chunk, a->set.chunk, sizeof a->base.chunk);
    *out = &a->base;
    return ST_OK;
}

/* --- plain bytes --- */

struct byte_array {
    struct array base;
    int fd;
    uint64_t offset;
    bool swap;
};

static void swap_bytes(char *data, size_t n, size_t size)
{
    for (char *c = data; c < data + n * size; c += size)
        for (size_t i = 0; i < size / 2; i++) {
            char keep = c[i];
            c[i] = c[size - 1 - i];
            c[size - 1 - i] = keep;
        }
}

static enum status read_run(const struct byte_array *a, size_t first, size_t n, char *out,
                            struct report *rep)
{
    size_t size = number_size(a->base.number), left = n * size;
    uint64_t at = a->offset + (uint64_t)first * size;
    while (left > 0) {
        ssize_t got = pread(a->fd, out, left, (off_t)at);
        if (got < 0 && errno == EINTR) continue;
        if (got <= 0)
            return fail(rep, ST_INPUT, "%s: cannot be read: %s", a->base.name,
                        got < 0 ? strerror(errno) : "it was cut short meanwhile");
        out += got;
        at += (uint64_t)got;
        left -= (size_t)got;
    }
    return ST_OK;
}

/* Dimensions from `axis` on, where index is the linear one of the block's corner so far. */
static enum status read_from(const struct byte_array *a, int axis, size_t index,
                             const size_t *start, const size_t *count, char **out,
                             struct report *rep)
{
    enum status st = ST_OK;
    size_t inner = 1, run = 1;
    bool whole = true;
    for (int i = a->base.rank - 1; i > axis; i--) {
        whole = whole && count[i] == a->base.dims[i];
        inner *= a->base.dims[i];
        run *= count[i];
    }
    if (axis >= a->base.rank || whole) {
        size_t n = axis < a->base.rank ? count[axis] * run : 1;
        size_t first = axis < a->base.rank ? (index * a->base.dims[axis] + start[axis]) * inner
                                           : index;
        st = read_run(a, first, n, *out, rep);
        *out += n * number_size(a->base.number);
        return st;
    }
    for (size_t i = 0; i < count[axis] && st == ST_OK; i++)
        st = read_from(a, axis + 1, index * a->base.dims[axis] + start[axis] + i, start, count, out,
                       rep);
    return st;
}

static enum status bytes_read(struct array *self, const size_t *start, const size_t *count,
                              void *out, struct report *rep)
{
    struct byte_array *a = (struct byte_array *)self;
    char *at = out;
    size_t n = 1;
    for (int i = 0; i < self->rank; i++)
        n *= count[i];
    enum status st = n > 0 ? read_from(a, 0, 0, start, count, &at, rep) : ST_OK;
    if (st == ST_OK && a->swap) swap_bytes(out, n, number_size(self->number));
    return st;
}

static void bytes_drop(struct array *self)
{
    struct byte_array *a = (struct byte_array *)self;
    if (a->fd >= 0) close(a->fd);
    free(a);
}

enum status array_bytes(struct array **out, int fd, uint64_t size, const char *name,
                        enum number number, bool swap, uint64_t offset, int rank,
                        const size_t *dims, struct report *rep)
{
    struct byte_array *a = calloc(1, sizeof *a);
    uint64_t bytes = number_size(number);
    *out = NULL;
    if (!a) {
        close(fd);
        return fail(rep, ST_MEMORY, "not enough memory to open %s", name);
    }
    a->base = (struct array){
        .number = number, .rank = rank, .attributes = -1, .read = bytes_read, .drop = bytes_drop};
    snprintf(a->base.name, sizeof a->base.name, "%s", name);
    a->fd = fd;
    a->offset = offset;
    a->swap = swap && number_size(number) > 1;
    bool fits = offset <= size;
    for (int i = 0; i < rank; i++) {
        a->base.dims[i] = dims[i];
        fits = fits && !__builtin_mul_overflow(bytes, (uint64_t)dims[i], &bytes);
    }
    a->base.stored_bytes = bytes;
    if (!fits || bytes > size - offset) {
        char shape[160];
        array_shape(&a->base, shape, sizeof shape);
        bytes_drop(&a->base);
        return fail(rep, ST_INPUT,
                    "%s: has %llu bytes, too few for %s behind a header of %llu bytes", name,
                    (unsigned long long)size, shape, (unsigned long long)offset);
    }
    *out = &a->base;
    return ST_OK;
}

/* --- both --- */

void array_shape(const struct array *a, char *out, size_t size)
{
    size_t used = 0;
    *out = 0;
    for (int i = 0; i < a->rank && used < size; i++)
        used += (size_t)snprintf(out + used, size - used, "%s%zu", i ? "," : "[",
                                 a->dims[a->backwards ? a->rank - 1 - i : i]);
    if (used < size)
        snprintf(out + used, size - used, "%s of %s", a->rank ? "]" : "one number",
                 number_name(a->number));
}

static double number_at(enum number number, const void *data, size_t i)
{
    switch (number) {
#define N(name, ctype, h5, low, high)                                                              \
    case NUMBER_##name:                                                                            \
        return (double)((const ctype *)data)[i];
        NUMBER_LIST(N)
#undef N
    default:
        return (double)((const int64_t *)data)[i];
    }
}

enum status array_doubles(struct array *a, size_t most, double **out, size_t *n, struct report *rep)
{
    size_t start[MOST_RANK] = {0}, total = 1;
    *out = NULL;
    for (int i = 0; i < a->rank; i++)
        if (__builtin_mul_overflow(total, a->dims[i], &total)) total = SIZE_MAX;
    if (total > most) {
        char shape[160];
        array_shape(a, shape, sizeof shape);
        return fail(rep, ST_INPUT, "%s: %s holds more numbers than the %zu that can be meant",
                    a->name, shape, most);
    }
    void *stored = malloc(total * number_size(a->number) + 1);
    double *values = malloc((total + 1) * sizeof *values);
    enum status st = stored && values ? a->read(a, start, a->dims, stored, rep)
                                      : fail(rep, ST_MEMORY, "not enough memory for %s", a->name);
    /* Fortran's order of a plane is turned into C's */
    bool turn = a->backwards && a->rank == 2;
    size_t across = turn ? a->dims[1] : 1, down = turn ? a->dims[0] : 1;
    for (size_t i = 0; i < total && st == ST_OK; i++)
        values[turn ? i % across * down + i / across : i] = number_at(a->number, stored, i);
    free(stored);
    if (st == ST_OK) {
        *out = values;
        *n = total;
    } else {
        free(values);
    }
    return st;
}
