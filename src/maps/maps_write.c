#include "maps/maps_private.h"

#include "base/clock.h"
#include "base/output_file.h"

#include <errno.h>
#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static enum status make_room(struct maps *m, size_t n, struct report *rep)
{
    if (n <= m->buffered) return ST_OK;
    free(m->reals);
    free(m->flag_words);
    free(m->runs);
    m->reals = malloc(layout_deepest(&m->layout) * n * sizeof *m->reals);
    m->flag_words = malloc(n * sizeof *m->flag_words);
    m->runs = malloc(n * sizeof *m->runs);
    m->buffered = m->reals && m->flag_words && m->runs ? n : 0;
    return m->buffered ? ST_OK
                       : fail(rep, ST_MEMORY, "%s: not enough memory to write a tile of %zu pixels",
                              m->path, n);
}

/* Index into the results of the pixel that stands at row i, column j of the tile as stored. */
static size_t source_index(const struct maps *m, const struct tile *t, size_t i, size_t j)
{
    size_t row = m->layout.rows_reversed ? t->rows - 1 - i : i;
    size_t col = m->layout.columns_reversed ? t->cols - 1 - j : j;
    return row * t->cols + col;
}

/* Infinity, or what does not fit, is not a result. */
static float to_file(double si, double factor)
{
    double number = si * factor;
    return fabs(number) <= (double)FLT_MAX ? (float)number : NAN;
}

/* All layers of a map, those of one pixel beside each other. */
static void fill_reals(struct maps *m, const struct tile *t, const struct pixel_result *results,
                       int map, size_t layers, bool errors)
{
    const double factor = m->layout.factor[map];
    float *to = m->reals;
    for (size_t i = 0; i < t->rows; i++)
        for (size_t j = 0; j < t->cols; j++)
            for (size_t layer = 0; layer < layers; layer++) {
                const struct pixel_result *of = &results[source_index(m, t, i, j)];
                const struct measured *r = &of->map[(size_t)map + layer];
                float value = to_file(r->value, factor);
                /* an error without a value says nothing */
                *to++ = !errors ? value : isnan(value) ? NAN : to_file(r->error, factor);
            }
}

static void fill_words(struct maps *m, const struct tile *t, const struct pixel_result *results,
                       uint8_t *state)
{
    for (size_t i = 0; i < t->rows; i++)
        for (size_t j = 0; j < t->cols; j++) {
            const struct pixel_result *r = &results[source_index(m, t, i, j)];
            m->flag_words[i * t->cols + j] = r->flags;
            const uint64_t run = m->owner.run < UINT16_MAX ? m->owner.run : UINT16_MAX;
            m->runs[i * t->cols + j] = (uint16_t)(r->copied ? 0 : run);
            state[i * t->cols + j] = r->state;
        }
}

/* A tile's numbers, `bytes` each, into a plane that begins at `plane`. */
static int write_block(const struct maps *m, const struct tile *t, uint64_t plane, size_t bytes,
                       const void *numbers)
{
    const struct maps_layout *l = &m->layout;
    const size_t row0 = l->rows_reversed ? l->ny - t->row0 - t->rows : t->row0,
                 col0 = l->columns_reversed ? l->nx - t->col0 - t->cols : t->col0;
    const size_t rows = t->cols == l->nx ? 1 : t->rows, width = t->rows * t->cols / rows * bytes;
    for (size_t i = 0; i < rows; i++)
        if (place_write(m->fd, (const char *)numbers + i * width, width,
                        plane + ((row0 + i) * l->nx + col0) * bytes) != 0)
            return -1;
    return 0;
}

static int write_values(struct maps *m, const struct tile *t, const struct pixel_result *results,
                        uint8_t *state)
{
    for (int i = 0; i < MAP_COUNT; i++) {
        const size_t layers = layout_layers(&m->layout, i), bytes = layers * sizeof *m->reals;
        if (!layout_begins(&m->layout, i)) continue;
        fill_reals(m, t, results, i, layers, false);
        if (write_block(m, t, m->places.value[i], bytes, m->reals) != 0) return -1;
        if (!map_rows[i].errors) continue;
        fill_reals(m, t, results, i, layers, true);
        if (write_block(m, t, m->places.error[i], bytes, m->reals) != 0) return -1;
    }
    fill_words(m, t, results, state);
    return write_block(m, t, m->places.flags, sizeof *m->flag_words, m->flag_words) != 0 ||
                   write_block(m, t, m->places.run_of_pixel, sizeof *m->runs, m->runs) != 0
               ? -1
               : 0;
}

static int write_digest(const struct maps *m, size_t tile_index, struct digest digest)
{
    const uint64_t words[2] = {digest.high, digest.low};
    return place_write(m->fd, words, sizeof words, m->places.digests + tile_index * sizeof words);
}

static enum status make_entry(struct maps *m, struct unsaved *entry, struct tile t,
                              struct report *rep)
{
    if (m->n_unsaved == m->room_unsaved) {
        size_t room = 2 * m->room_unsaved + 16;
        struct unsaved *more = realloc(m->unsaved, room * sizeof *more);
        if (!more) return fail(rep, ST_MEMORY, "%s: not enough memory for a tile", m->path);
        m->unsaved = more;
        m->room_unsaved = room;
    }
    *entry = (struct unsaved){t, malloc(t.rows * t.cols)};
    return entry->state ? ST_OK : fail(rep, ST_MEMORY, "%s: not enough memory for a tile", m->path);
}

/* Only once their values are on the disk may states say so. */
static int save_states(struct maps *m)
{
    if (fdatasync(m->fd) != 0) return -1;
    for (size_t i = 0; i < m->n_unsaved; i++)
        if (write_block(m, &m->unsaved[i].tile, m->places.state, 1, m->unsaved[i].state) != 0)
            return -1;
    return 0;
}

/* The run that was overtaken holds the lock until it notices: then it is ours. */
static void lock_at_last(struct maps *m)
{
    struct report unused;
    int fd;
    if (!m->unlocked || output_lock(m->part, &fd, &unused) != ST_OK) return;
    close(m->lock);
    m->lock = fd;
    m->unlocked = false;
}

enum status maps_checkpoint(struct maps *m, struct report *rep)
{
    if (m->n_unsaved == 0 || m->fd < 0) return ST_OK;
    lock_at_last(m);
    enum status st = owner_check(m->part, m->fd, m->places.owner, &m->owner, rep);
    if (st == ST_OK && save_states(m) != 0)
        st = fail(rep, ST_OUTPUT, "%s cannot be written: %s", m->part, strerror(errno));
    for (size_t i = 0; i < m->n_unsaved; i++)
        free(m->unsaved[i].state);
    m->n_unsaved = 0; /* after a failed sync nobody knows what is on the disk: they stay pending */
    m->checked_s = clock_s();
    return st;
}

enum status maps_write_tile(struct maps *m, size_t tile_index, struct tile t,
                            const struct pixel_result *results, struct digest digest,
                            struct report *rep)
{
    const size_t n = t.rows * t.cols;
    struct unsaved entry;
    if (tile_index >= m->n_tiles || t.row0 + t.rows > m->layout.ny ||
        t.col0 + t.cols > m->layout.nx)
        return fail(rep, ST_BUG, "%s: tile %zu lies outside of the maps", m->path, tile_index);
    enum status st = n ? make_room(m, n, rep) : ST_OK;
    if (st != ST_OK || n == 0) return st;
    if ((st = owner_check(m->part, m->fd, m->places.owner, &m->owner, rep)) != ST_OK ||
        (st = make_entry(m, &entry, t, rep)) != ST_OK)
        return st;
    if (write_values(m, &t, results, entry.state) != 0 ||
        write_digest(m, tile_index, digest) != 0) {
        free(entry.state);
        return fail(rep, ST_OUTPUT, "%s: tile %zu cannot be written: %s", m->part, tile_index,
                    strerror(errno));
    }
    m->unsaved[m->n_unsaved++] = entry;
    if (m->checked_s == 0) m->checked_s = clock_s();
    return clock_s() - m->checked_s >= m->checkpoint_s ? maps_checkpoint(m, rep) : ST_OK;
}
