#include "maps/store.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* --- what there is to keep --- */

static void list_shelves(struct store *s, const struct maps_layout *l, const struct places *at)
{
    size_t n = 0;
    for (int i = 0; i < MAP_COUNT; i++) {
        const size_t layers = layout_layers(l, i);
        if (!layout_begins(l, i)) continue;
        s->shelf[n++] = (struct shelf){SHELF_VALUE,  i,   layers, layers * sizeof(float),
                                       at->value[i], NULL};
        if (map_rows[i].errors)
            s->shelf[n++] = (struct shelf){SHELF_ERROR,  i,   layers, layers * sizeof(float),
                                           at->error[i], NULL};
    }
    s->shelf[n++] = (struct shelf){SHELF_FLAGS, 0, 1, sizeof(uint64_t), at->flags, NULL};
    s->shelf[n++] = (struct shelf){SHELF_RUN, 0, 1, sizeof(uint16_t), at->run_of_pixel, NULL};
    s->n_shelves = n;
}

/* Room for `pixels` at least, and for what fits into STORE_BYTES, but not for more than the map. */
static enum status make_room(struct store *s, size_t pixels, const struct maps_layout *l,
                             const struct places *at, struct report *rep)
{
    size_t bytes = 0;
    if (pixels <= s->room) return ST_OK;
    free(s->memory);
    s->memory = NULL;
    s->room = 0;
    if (!s->shelf) s->shelf = malloc((2 * MAP_COUNT + 2) * sizeof *s->shelf);
    if (!s->gather) s->gather = malloc(GATHER_BYTES);
    if (!s->shelf || !s->gather) return fail(rep, ST_MEMORY, "not enough memory to write tiles");
    list_shelves(s, l, at);
    for (size_t i = 0; i < s->n_shelves; i++)
        bytes += s->shelf[i].bytes;
    size_t room = STORE_BYTES / bytes;
    if (room > l->ny * l->nx) room = l->ny * l->nx;
    if (room < pixels) room = pixels;
    room += room % 2; /* every shelf begins at a multiple of eight bytes */
    s->memory = malloc(room * bytes);
    if (!s->memory)
        return fail(rep, ST_MEMORY, "not enough memory to write a tile of %zu pixels", pixels);
    unsigned char *next = s->memory;
    for (size_t i = 0; i < s->n_shelves; i++) {
        s->shelf[i].kept = next;
        next += room * s->shelf[i].bytes;
    }
    s->room = room;
    return ST_OK;
}

static enum status make_room_for_states(struct store *s, size_t pixels, struct report *rep)
{
    if (s->n_states + pixels <= s->room_states) return ST_OK;
    const size_t room = 2 * s->room_states + pixels;
    uint8_t *more = realloc(s->state, room);
    if (!more) return fail(rep, ST_MEMORY, "not enough memory for the states of %zu pixels", room);
    s->state = more;
    s->room_states = room;
    return ST_OK;
}

/* --- a tile as stored --- */

/* Index into the results of the pixel that stands at row i, column j of the tile as stored. */
static size_t source_index(const struct maps_layout *l, const struct tile *t, size_t i, size_t j)
{
    size_t row = l->rows_reversed ? t->rows - 1 - i : i;
    size_t col = l->columns_reversed ? t->cols - 1 - j : j;
    return row * t->cols + col;
}

/* Infinity, or what does not fit, is not a result. */
static float to_file(double si, double factor)
{
    double number = si * factor;
    return fabs(number) <= (double)FLT_MAX ? (float)number : NAN;
}

/* All layers of a map, those of one pixel beside each other. */
static void fill_reals(const struct shelf *s, const struct maps_layout *l, const struct tile *t,
                       const struct pixel_result *results, float *to)
{
    const double factor = l->factor[s->map];
    for (size_t i = 0; i < t->rows; i++)
        for (size_t j = 0; j < t->cols; j++)
            for (size_t layer = 0; layer < s->layers; layer++) {
                const struct pixel_result *of = &results[source_index(l, t, i, j)];
                const struct measured *r = &of->map[(size_t)s->map + layer];
                float value = to_file(r->value, factor);
                /* an error without a value says nothing */
                *to++ = s->what == SHELF_VALUE ? value
                        : isnan(value)         ? NAN
                                               : to_file(r->error, factor);
            }
}

static void fill_shelf(struct shelf *s, size_t from, const struct maps_layout *l,
                       const struct tile *t, const struct pixel_result *results, uint64_t run)
{
    void *to = s->kept + from * s->bytes;
    uint64_t *flags = to;
    uint16_t *runs = to, this = (uint16_t)(run < UINT16_MAX ? run : UINT16_MAX);
    if (s->what == SHELF_VALUE || s->what == SHELF_ERROR) {
        fill_reals(s, l, t, results, to);
        return;
    }
    for (size_t i = 0; i < t->rows; i++)
        for (size_t j = 0; j < t->cols; j++) {
            const struct pixel_result *r = &results[source_index(l, t, i, j)];
            if (s->what == SHELF_FLAGS)
                *flags++ = r->flags;
            else
                *runs++ = r->copied ? 0 : this;
        }
}

static void fill_states(uint8_t *to, const struct maps_layout *l, const struct tile *t,
                        const struct pixel_result *results)
{
    for (size_t i = 0; i < t->rows; i++)
        for (size_t j = 0; j < t->cols; j++)
            *to++ = results[source_index(l, t, i, j)].state;
}

/* Where the rows of a tile stand in a plane; tiles as wide as the map have one long row. */
static enum status add_rows(struct extents *list, size_t from, const struct maps_layout *l,
                            const struct tile *t, struct report *rep)
{
    const size_t row0 = l->rows_reversed ? l->ny - t->row0 - t->rows : t->row0,
                 col0 = l->columns_reversed ? l->nx - t->col0 - t->cols : t->col0,
                 rows = t->cols == l->nx ? 1 : t->rows, width = t->rows * t->cols / rows;
    enum status st = ST_OK;
    for (size_t i = 0; i < rows && st == ST_OK; i++)
        st = extents_add(list, (struct extent){(row0 + i) * l->nx + col0, from + i * width, width},
                         rep);
    return st;
}

enum status store_put(struct store *s, int fd, const struct maps_layout *l, const struct places *at,
                      const struct tile *t, const struct pixel_result *results, uint64_t run,
                      struct report *rep)
{
    const size_t n = t->rows * t->cols;
    if (s->n + n > s->room && store_write(s, fd, at) != 0)
        return fail(rep, ST_OUTPUT, "results cannot be written: %m");
    enum status st = make_room(s, n, l, at, rep);
    if (st == ST_OK) st = make_room_for_states(s, n, rep);
    if (st != ST_OK) return st;
    for (size_t i = 0; i < s->n_shelves; i++)
        fill_shelf(&s->shelf[i], s->n, l, t, results, run);
    fill_states(s->state + s->n_states, l, t, results);
    st = add_rows(&s->pixels, s->n, l, t, rep);
    if (st == ST_OK) st = add_rows(&s->states, s->n_states, l, t, rep);
    s->n += n;
    s->n_states += n;
    return st;
}

enum status store_put_digest(struct store *s, size_t tile, struct digest digest, struct report *rep)
{
    const size_t n = s->tiles.n;
    if (n == s->room_digests) {
        const size_t room = 2 * n + 16;
        uint64_t(*more)[2] = realloc(s->digest, room * sizeof *more);
        if (!more) return fail(rep, ST_MEMORY, "not enough memory for the digests of %zu tiles", n);
        s->digest = more;
        s->room_digests = room;
    }
    s->digest[n][0] = digest.high;
    s->digest[n][1] = digest.low;
    return extents_add(&s->tiles, (struct extent){tile, n, 1}, rep);
}

/* --- into the file --- */

int store_write(struct store *s, int fd, const struct places *at)
{
    int rc = 0;
    extents_sort(&s->pixels);
    extents_sort(&s->tiles);
    for (size_t i = 0; i < s->n_shelves && rc == 0; i++)
        rc = gather_write(fd, &s->pixels, s->shelf[i].place, s->shelf[i].bytes, s->shelf[i].kept,
                          s->gather);
    if (rc == 0 && s->tiles.n > 0)
        rc = gather_write(fd, &s->tiles, at->digests, sizeof *s->digest, s->digest, s->gather);
    if (rc == 0)
        s->written = s->states.n;
    else
        s->states.n = s->written;
    s->n = s->pixels.n = s->tiles.n = 0;
    return rc;
}

int store_write_states(struct store *s, int fd, const struct places *at)
{
    extents_sort(&s->states);
    return gather_write(fd, &s->states, at->state, 1, s->state, s->gather);
}

void store_forget(struct store *s)
{
    s->n = s->pixels.n = s->tiles.n = 0;
    s->states.n = s->n_states = s->written = 0;
}

void store_free(struct store *s)
{
    extents_free(&s->pixels);
    extents_free(&s->tiles);
    extents_free(&s->states);
    free(s->shelf);
    free(s->memory);
    free(s->gather);
    free(s->digest);
    free(s->state);
    *s = (struct store){0};
}
