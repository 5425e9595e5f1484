#include "maps/maps_private.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>

static enum status make_room(struct maps *m, size_t n, struct report *rep)
{
    if (n <= m->buffered) return ST_OK;
    free(m->reals);
    free(m->flag_words);
    free(m->states);
    m->reals = malloc(n * sizeof *m->reals);
    m->flag_words = malloc(n * sizeof *m->flag_words);
    m->states = malloc(n * sizeof *m->states);
    m->buffered = m->reals && m->flag_words && m->states ? n : 0;
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

static void fill_reals(struct maps *m, const struct tile *t, const struct pixel_result *results,
                       int map, bool errors)
{
    for (size_t i = 0; i < t->rows; i++)
        for (size_t j = 0; j < t->cols; j++) {
            const struct measured *r = &results[source_index(m, t, i, j)].map[map];
            float value = to_file(r->value, m->layout.factor[map]);
            /* an error without a value says nothing */
            m->reals[i * t->cols + j] = !errors        ? value
                                        : isnan(value) ? NAN
                                                       : to_file(r->error, m->layout.factor[map]);
        }
}

static void fill_words(struct maps *m, const struct tile *t, const struct pixel_result *results)
{
    for (size_t i = 0; i < t->rows; i++)
        for (size_t j = 0; j < t->cols; j++) {
            const struct pixel_result *r = &results[source_index(m, t, i, j)];
            m->flag_words[i * t->cols + j] = r->flags;
            m->states[i * t->cols + j] = r->state;
        }
}

/* Where a tile lies in every plane. Invalid on failure. */
static hid_t place_of(const struct maps *m, const struct tile *t)
{
    const struct maps_layout *l = &m->layout;
    hsize_t dims[2] = {l->ny, l->nx}, count[2] = {t->rows, t->cols};
    hsize_t start[2] = {l->rows_reversed ? l->ny - t->row0 - t->rows : t->row0,
                        l->columns_reversed ? l->nx - t->col0 - t->cols : t->col0};
    hid_t space = H5Screate_simple(2, dims, NULL);
    if (space >= 0 && H5Sselect_hyperslab(space, H5S_SELECT_SET, start, NULL, count, NULL) < 0) {
        H5Sclose(space);
        space = H5I_INVALID_HID;
    }
    return space;
}

static int write_digest(const struct maps *m, size_t tile_index, struct digest digest)
{
    hsize_t dims[2] = {m->n_tiles, 2}, start[2] = {tile_index, 0}, count[2] = {1, 2};
    uint64_t words[2] = {digest.high, digest.low};
    hid_t space = H5Screate_simple(2, dims, NULL), memory = H5Screate_simple(2, count, NULL);
    int rc = -1;
    if (space >= 0 && memory >= 0 &&
        H5Sselect_hyperslab(space, H5S_SELECT_SET, start, NULL, count, NULL) >= 0)
        rc = H5Dwrite(m->digests, H5T_NATIVE_UINT64, memory, space, H5P_DEFAULT, words);
    if (memory >= 0) H5Sclose(memory);
    if (space >= 0) H5Sclose(space);
    return rc;
}

static int write_planes(struct maps *m, const struct tile *t, const struct pixel_result *results,
                        hid_t memory, hid_t place)
{
    for (int i = 0; i < MAP_COUNT; i++) {
        fill_reals(m, t, results, i, false);
        if (H5Dwrite(m->value[i], H5T_NATIVE_FLOAT, memory, place, H5P_DEFAULT, m->reals) < 0)
            return -1;
        if (!map_rows[i].errors) continue;
        fill_reals(m, t, results, i, true);
        if (H5Dwrite(m->error[i], H5T_NATIVE_FLOAT, memory, place, H5P_DEFAULT, m->reals) < 0)
            return -1;
    }
    fill_words(m, t, results);
    return H5Dwrite(m->flags, H5T_NATIVE_UINT64, memory, place, H5P_DEFAULT, m->flag_words) < 0 ? -1
                                                                                                : 0;
}

enum status maps_write_tile(struct maps *m, size_t tile_index, struct tile t,
                            const struct pixel_result *results, struct digest digest,
                            struct report *rep)
{
    const size_t n = t.rows * t.cols;
    char cause[256];
    if (tile_index >= m->n_tiles || t.row0 + t.rows > m->layout.ny ||
        t.col0 + t.cols > m->layout.nx)
        return fail(rep, ST_BUG, "%s: tile %zu lies outside of the maps", m->path, tile_index);
    enum status st = n ? make_room(m, n, rep) : ST_OK;
    if (st != ST_OK || n == 0) return st;
    hsize_t dims[1] = {n};
    hid_t memory = H5Screate_simple(1, dims, NULL), place = place_of(m, &t);
    /* state last: what is not pending has all its values */
    bool good = memory >= 0 && place >= 0 && write_planes(m, &t, results, memory, place) >= 0 &&
                write_digest(m, tile_index, digest) >= 0 &&
                H5Dwrite(m->state, H5T_NATIVE_UINT8, memory, place, H5P_DEFAULT, m->states) >= 0;
    if (!good) h5put_cause(cause, sizeof cause);
    if (memory >= 0) H5Sclose(memory);
    if (place >= 0) H5Sclose(place);
    return good ? ST_OK
                : fail(rep, ST_OUTPUT, "%s: tile %zu cannot be written: %s", m->part, tile_index,
                       cause);
}
