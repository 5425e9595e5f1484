/* What earlier runs left to do: by the states in PATH.part, tile by tile. */
#include "maps/maps_private.h"

#include "base/watch.h"
#include "maps/agree.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

static enum status new_leftover(struct maps *m, struct report *rep)
{
    struct leftover *l = &m->left;
    const size_t n = m->n_tiles ? m->n_tiles : 1;
    l->kind = calloc(n, sizeof *l->kind);
    l->digest = calloc(n, sizeof *l->digest);
    l->torn = calloc(n, sizeof *l->torn);
    return l->kind && l->digest && l->torn
               ? ST_OK
               : fail(rep, ST_MEMORY, "%s: not enough memory for %zu tiles", m->path, n);
}

/* Done pixels of a tile; `done` [rows*cols] in the volume's order. */
static size_t done_pixels(const struct maps *m, const struct tile *t, const uint8_t *state,
                          uint8_t *done)
{
    const struct maps_layout *l = &m->layout;
    size_t count = 0;
    for (size_t i = 0; i < t->rows * t->cols; i++) {
        size_t row = t->row0 + i / t->cols, col = t->col0 + i % t->cols;
        if (l->rows_reversed) row = l->ny - 1 - row;
        if (l->columns_reversed) col = l->nx - 1 - col;
        done[i] = state[row * l->nx + col] != STATE_pending;
        count += done[i];
    }
    return count;
}

static enum status sort_tiles(struct maps *m, const struct maps_origin *origin,
                              const uint8_t *state, struct report *rep)
{
    struct leftover *l = &m->left;
    const size_t room = m->tile_rows * m->tile_cols;
    uint8_t *done = malloc(room ? room : 1);
    enum status st = done ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for a tile's states");
    for (size_t i = 0; i < m->n_tiles && st == ST_OK; i++) {
        const struct tile t = volume_cut(origin->volume, i);
        size_t count = done_pixels(m, &t, state, done);
        l->pixels_done += count;
        l->kind[i] = count == 0 ? TILE_PENDING : count < t.rows * t.cols ? TILE_TORN : TILE_DONE;
        if (l->kind[i] != TILE_TORN) continue;
        uint8_t *more = realloc(l->done, (l->n_torn + 1) * room);
        if (!more) {
            st = fail(rep, ST_MEMORY, "not enough memory for a tile's states");
            break;
        }
        l->done = more;
        memcpy(l->done + l->n_torn * room, done, room);
        l->torn[l->n_torn++] = i;
    }
    free(done);
    return st;
}

enum status maps_find_leftover(struct maps *m, const struct maps_origin *origin, struct report *rep)
{
    const size_t n = m->layout.ny * m->layout.nx;
    uint8_t *state = malloc(n);
    enum status st = state ? new_leftover(m, rep)
                           : fail(rep, ST_MEMORY, "not enough memory for %zu states", n);
    if (st == ST_OK) st = maps_read_planes(m, NULL, state, NULL, rep);
    if (st == ST_OK && place_read(m->lock, m->left.digest, m->n_tiles * sizeof *m->left.digest,
                                  m->places.digests) != 0)
        st = fail(rep, ST_OUTPUT, "%s cannot be read: %s", m->part, strerror(errno));
    if (st == ST_OK) st = sort_tiles(m, origin, state, rep);
    free(state);
    return st;
}

enum tile_left maps_tile_left(const struct maps *m, size_t i)
{
    return m->left.kind ? (enum tile_left)m->left.kind[i] : TILE_PENDING;
}

const uint8_t *maps_tile_done(const struct maps *m, size_t i)
{
    for (size_t k = 0; k < m->left.n_torn; k++)
        if (m->left.torn[k] == i) return m->left.done + k * m->tile_rows * m->tile_cols;
    return NULL;
}

struct digest maps_tile_digest(const struct maps *m, size_t i)
{
    return m->left.digest ? (struct digest){m->left.digest[i][0], m->left.digest[i][1]}
                          : (struct digest){0, 0};
}

enum status maps_share_leftover(struct maps *m, struct report *rep)
{
    struct leftover *l = &m->left;
    const size_t room = m->tile_rows * m->tile_cols;
    enum status st = ST_OK;
    unsigned long long torn = l->n_torn;
    int there = l->kind != NULL;
    watch_enter();
    MPI_Bcast(&there, 1, MPI_INT, 0, m->comm);
    MPI_Bcast(&torn, 1, MPI_UNSIGNED_LONG_LONG, 0, m->comm);
    watch_leave();
    if (!there) return ST_OK;
    if (m->rank != 0) {
        st = new_leftover(m, rep);
        l->n_torn = (size_t)torn;
        l->done = malloc(l->n_torn * room + 1);
        if (st == ST_OK && !l->done) st = fail(rep, ST_MEMORY, "not enough memory for states");
    }
    if ((st = agree(m->comm, st, rep)) != ST_OK) return st;
    watch_enter();
    MPI_Bcast(l->kind, (int)m->n_tiles, MPI_UINT8_T, 0, m->comm);
    MPI_Bcast(l->digest, (int)(2 * m->n_tiles), MPI_UINT64_T, 0, m->comm);
    MPI_Bcast(l->torn, (int)(l->n_torn * sizeof *l->torn), MPI_BYTE, 0, m->comm);
    for (size_t i = 0; i < l->n_torn; i++)
        MPI_Bcast(l->done + i * room, (int)room, MPI_UINT8_T, 0, m->comm);
    watch_leave();
    return ST_OK;
}
