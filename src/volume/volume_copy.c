/* A copy of an open volume: what is cut out, the samples tile by tile, and the file's name last. */
#include "volume/volume_copy.h"
#include "base/output_file.h"
#include "base/progress.h"
#include "volume/volume_copy_private.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct volume_cut volume_cut_whole(const struct volume_facts *f)
{
    return (struct volume_cut){0, f->ny, 0, f->nx, 1, 1, 1};
}

size_t volume_cut_rows(const struct volume_cut *c)
{
    return copy_share(c->rows, c->every_row);
}

size_t volume_cut_cols(const struct volume_cut *c)
{
    return copy_share(c->cols, c->every_col);
}

/* --- the numbers, tile by tile --- */

/* First index >= low that is kept along one side, counted in the copy. */
static size_t first_kept(size_t low, size_t from, size_t every)
{
    return low <= from ? 0 : (low - from + every - 1) / every;
}

/* The block of the copy that lies in a tile of the volume; empty: rows or cols 0. */
static struct tile kept_of(const struct copy *c, struct tile t)
{
    const struct volume_cut *k = &c->cut;
    size_t r0 = first_kept(t.row0, k->row0, k->every_row);
    size_t r1 = first_kept(t.row0 + t.rows, k->row0, k->every_row);
    size_t c0 = first_kept(t.col0, k->col0, k->every_col);
    size_t c1 = first_kept(t.col0 + t.cols, k->col0, k->every_col);
    r1 = r1 < c->ny ? r1 : c->ny;
    c1 = c1 < c->nx ? c1 : c->nx;
    return (struct tile){r0, c0, r1 > r0 ? r1 - r0 : 0, c1 > c0 ? c1 - c0 : 0};
}

static size_t pixel_of(const struct copy *c, struct tile t, size_t row, size_t col)
{
    return (c->cut.row0 + row * c->cut.every_row - t.row0) * t.cols + c->cut.col0 +
           col * c->cut.every_col - t.col0;
}

static bool write_block(hid_t set, int rank, const hsize_t *start, const hsize_t *count,
                        hid_t memory, const void *data)
{
    hid_t there = H5Dget_space(set), here = H5Screate_simple(rank, count, NULL);
    bool good = there >= 0 && here >= 0 &&
                H5Sselect_hyperslab(there, H5S_SELECT_SET, start, NULL, count, NULL) >= 0 &&
                H5Dwrite(set, memory, here, there, H5P_DEFAULT, data) >= 0;
    if (here >= 0) H5Sclose(here);
    if (there >= 0) H5Sclose(there);
    return good;
}

static enum status write_samples(struct copy *c, size_t i, struct tile t, struct tile k,
                                 struct report *rep)
{
    const struct samples *s = copy_array(c, i);
    if (!s) return ST_OK;
    size_t every = c->cut.every_sample, size = number_size(s->set.number);
    size_t group = size * (s->set.rank == 4 ? s->set.dims[3] : 1);
    size_t n = copy_share(s->set.dims[2], every);
    char *out = c->block;
    for (size_t row = k.row0; row < k.row0 + k.rows; row++)
        for (size_t col = k.col0; col < k.col0 + k.cols; col++) {
            const char *in = s->tile + pixel_of(c, t, row, col) * s->bytes;
            if (every == 1) {
                memcpy(out, in, s->bytes);
                out += s->bytes;
                continue;
            }
            for (size_t j = 0; j < n; j++, out += group)
                memcpy(out, in + j * every * group, group);
        }
    hsize_t start[4] = {k.row0, k.col0, 0, 0}, count[4] = {k.rows, k.cols, n, s->set.dims[3]};
    return write_block(c->array[i], s->set.rank, start, count, number_memory(s->set.number),
                       c->block)
               ? ST_OK
               : copy_cannot_write(s->set.name, rep);
}

static enum status write_numbers(struct copy *c, size_t i, struct tile t, struct tile k,
                                 struct report *rep)
{
    const struct per_pixel *p = copy_number(c, i);
    if (!p) return ST_OK;
    double every = (double)c->cut.every_sample, *out = c->line;
    bool length = copy_is_length(i), step = i >= SINGLE && (i - SINGLE) % 3 == 2;
    for (size_t row = k.row0; row < k.row0 + k.rows; row++)
        for (size_t col = k.col0; col < k.col0 + k.cols; col++, out++) {
            *out = p->tile[pixel_of(c, t, row, col)];
            if (length) *out = ceil(*out / every);
            if (step) *out *= every;
        }
    hsize_t start[2] = {k.row0, k.col0}, count[2] = {k.rows, k.cols};
    return write_block(c->number[i], 2, start, count, H5T_NATIVE_DOUBLE, c->line)
               ? ST_OK
               : copy_cannot_write(p->set.name, rep);
}

static enum status write_tiles(struct copy *c, struct report *rep)
{
    enum status st = ST_OK;
    struct progress clock;
    uint64_t done = 0;
    progress_begin(&clock, c->job->progress, "pixels", (uint64_t)c->ny * c->nx);
    for (size_t i = 0; i < volume_tile_count(c->v) && st == ST_OK; i++) {
        struct tile t = volume_tile(c->v, i), k = kept_of(c, t);
        if (k.rows == 0 || k.cols == 0) continue;
        st = volume_read_tile(c->v, t, rep);
        for (size_t a = 0; a < ARRAYS && st == ST_OK; a++)
            st = write_samples(c, a, t, k, rep);
        for (size_t a = 0; a < NUMBERS && st == ST_OK; a++)
            st = write_numbers(c, a, t, k, rep);
        done += k.rows * k.cols;
        progress_show(&clock, done);
    }
    progress_end(&clock);
    return st;
}

/* --- the file --- */

static uint64_t bytes_needed(struct copy *c)
{
    uint64_t pixel = 0;
    for (size_t i = 0; i < ARRAYS; i++)
        if (copy_array(c, i)) pixel += copy_array(c, i)->bytes / c->cut.every_sample;
    for (size_t i = 0; i < NUMBERS; i++)
        if (copy_number(c, i)) pixel += sizeof(double);
    return pixel * c->ny * c->nx;
}

static enum status make_buffers(struct copy *c, struct report *rep)
{
    size_t pixels = c->v->facts.tile_rows * c->v->facts.tile_cols, largest = 1;
    for (size_t i = 0; i < ARRAYS; i++)
        if (copy_array(c, i) && copy_array(c, i)->bytes > largest)
            largest = copy_array(c, i)->bytes;
    c->block = malloc(pixels * largest);
    c->line = malloc(pixels * sizeof *c->line);
    return c->block && c->line
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory for a tile of %zu pixels", pixels);
}

static bool close_all(struct copy *c)
{
    bool good = true;
    for (size_t i = 0; i < ARRAYS; i++) {
        if (c->array[i] >= 0) good &= H5Dclose(c->array[i]) >= 0;
        c->array[i] = H5I_INVALID_HID;
    }
    for (size_t i = 0; i < NUMBERS; i++) {
        if (c->number[i] >= 0) good &= H5Dclose(c->number[i]) >= 0;
        c->number[i] = H5I_INVALID_HID;
    }
    if (c->file >= 0) good &= H5Fclose(c->file) >= 0;
    c->file = H5I_INVALID_HID;
    return good;
}

/* HDF5 1.10 does not survive a full disk: room is asked for first. Compressed files need less. */
static enum status create(struct copy *c, struct report *rep)
{
    enum status st = output_check(c->job->output, c->v->path, c->job->overwrite, rep);
    if (st == ST_OK && access(c->part, F_OK) == 0) {
        if (!c->job->overwrite)
            return fail(rep, ST_OUTPUT,
                        "%s is left from a run that was stopped, or still runs; remove it or give "
                        "--overwrite",
                        c->part);
        unlink(c->part);
    }
    uint64_t room = c->job->storage == STORAGE_DEFLATE ? 0 : bytes_needed(c);
    if (st == ST_OK) st = output_reserve(c->part, room, rep);
    if (st != ST_OK) return st;
    c->created = true;
    c->file = H5Fcreate(c->part, H5F_ACC_TRUNC, H5P_DEFAULT, H5P_DEFAULT);
    return c->file < 0 ? fail(rep, ST_OUTPUT, "%s cannot be created by HDF5", c->part) : ST_OK;
}

static enum status publish(struct copy *c, struct report *rep)
{
    bool good = close_all(c);
    FILE *again = good ? fopen(c->part, "r+b") : NULL;
    good = again && fsync(fileno(again)) == 0;
    if (again && fclose(again) != 0) good = false;
    if (!good) return copy_cannot_write(c->part, rep);
    return output_publish(c->part, c->job->output, c->job->overwrite, rep);
}

enum status volume_copy(struct volume *v, const struct copy_job *job, struct report *rep)
{
    enum status st;
    struct copy c = {.v = v,
                     .job = job,
                     .cut = job->cut,
                     .ny = volume_cut_rows(&job->cut),
                     .nx = volume_cut_cols(&job->cut),
                     .file = H5I_INVALID_HID};
    for (size_t i = 0; i < ARRAYS; i++)
        c.array[i] = H5I_INVALID_HID;
    for (size_t i = 0; i < NUMBERS; i++)
        c.number[i] = H5I_INVALID_HID;
    if (asprintf(&c.part, "%s.part", job->output) < 0) c.part = NULL;
    if (!c.part) return fail(rep, ST_MEMORY, "not enough memory to write %s", job->output);
    if ((st = make_buffers(&c, rep)) == ST_OK && (st = create(&c, rep)) == ST_OK) {
        st = copy_make_layout(&c, rep);
        if (st == ST_OK) st = write_tiles(&c, rep);
        if (st == ST_OK) st = publish(&c, rep);
    }
    close_all(&c);
    if (st != ST_OK && c.created) unlink(c.part);
    free(c.block);
    free(c.line);
    free(c.part);
    return st;
}
