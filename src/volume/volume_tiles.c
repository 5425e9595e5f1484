#include "base/guard.h"
#include "volume/volume_private.h"

#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* Samples of a tile: cut into some thousand tiles many ranks find work to the end, yet a read and
 * the writing of results stay large enough for a disk. A chunk may make a tile larger than usual.
 */
static const size_t largest_tile = (size_t)8 << 20, usual_tile = (size_t)2 << 20,
                    smallest_tile = (size_t)256 << 10, wanted_tiles = 2048;
/* What a pixel costs beside its samples (numbers of the grid, its result): pixels of a few bytes
 * must not make tiles of millions. */
static const size_t smallest_pixel = 512;

enum { SINGLE = 4, PER_PIXEL = SINGLE + 3 * SEG_COUNT };

static struct samples *samples_at(struct volume *v, size_t i)
{
    struct segment *seg = &v->seg[i / 3];
    struct samples *each[3] = {&seg->signal, &seg->z, &seg->lateral};
    return each[i % 3];
}

/* As samples_at, for the PER_PIXEL [ny,nx] arrays. */
static struct per_pixel *per_pixel_at(struct volume *v, size_t i)
{
    struct per_pixel *single[SINGLE] = {&v->present, &v->z_offset, &v->thickness, &v->substrate};
    if (i < SINGLE) return single[i];
    i -= SINGLE;
    struct segment *seg = &v->seg[i / 3];
    struct per_pixel *each[3] = {&seg->length, &seg->start, &seg->step};
    return each[i % 3];
}

static size_t bytes_of_pixel(struct volume *v)
{
    size_t bytes = 0;
    for (size_t i = 0; i < 3 * SEG_COUNT; i++)
        if (samples_at(v, i)->set.id >= 0) bytes += samples_at(v, i)->bytes;
    return bytes;
}

/* Block of the grid that one chunk covers, over all arrays of samples. */
static void find_footprint(struct volume *v, size_t *rows, size_t *cols)
{
    *rows = *cols = 1;
    for (size_t i = 0; i < 3 * SEG_COUNT; i++) {
        const struct dataset *d = &samples_at(v, i)->set;
        if (d->id < 0 || !d->chunked) continue;
        if (d->chunk[0] > *rows) *rows = d->chunk[0];
        if (d->chunk[1] > *cols) *cols = d->chunk[1];
    }
    if (*rows > v->facts.ny) *rows = v->facts.ny;
    if (*cols > v->facts.nx) *cols = v->facts.nx;
}

/* The largest part of n that divides it and is at most `limit`. */
static size_t divisor_below(size_t n, size_t limit)
{
    size_t parts = limit ? (n + limit - 1) / limit : n;
    while (parts < n && n % parts != 0)
        parts++;
    return n / parts;
}

static void choose_tile(struct volume *v, size_t pixel_bytes)
{
    struct volume_facts *f = &v->facts;
    size_t rows, cols, most = largest_tile / pixel_bytes;
    size_t wanted = f->ny * f->nx / wanted_tiles;
    find_footprint(v, &rows, &cols);
    if (wanted < smallest_tile / pixel_bytes) wanted = smallest_tile / pixel_bytes;
    if (wanted > usual_tile / pixel_bytes) wanted = usual_tile / pixel_bytes;
    if (wanted < 1) wanted = 1;
    if (most < 1) most = 1;
    /* A chunk too large for a tile is cut across its columns first: tiles run along a row, so its
     * parts follow each other and the cache serves them. */
    if (rows * cols > most) cols = divisor_below(cols, most / rows);
    if (rows * cols > most) rows = divisor_below(rows, most);
    size_t wide = wanted / (rows * cols);
    if (wide > 1) cols = cols * wide < f->nx ? cols * wide : f->nx;
    size_t high = wanted / (rows * cols);
    if (cols == f->nx && high > 1) rows = rows * high < f->ny ? rows * high : f->ny;
    f->tile_rows = rows;
    f->tile_cols = cols;
}

static enum status make_buffers(struct volume *v, struct report *rep)
{
    size_t pixels = v->facts.tile_rows * v->facts.tile_cols, total = 0;
    bool good = true;
    for (size_t i = 0; i < 3 * SEG_COUNT; i++) {
        struct samples *s = samples_at(v, i);
        if (s->set.id < 0) continue;
        s->tile = malloc(pixels * s->bytes);
        s->si = malloc(s->width * sizeof *s->si);
        s->unpack = unpacker_new(&s->set, v->facts.tile_rows, v->facts.tile_cols);
        good = good && s->tile && s->si;
        total += pixels * s->bytes;
    }
    for (size_t i = 0; i < PER_PIXEL; i++) {
        struct per_pixel *p = per_pixel_at(v, i);
        if (p->set.id < 0) continue;
        p->tile = malloc(pixels * sizeof *p->tile);
        good = good && p->tile;
        total += pixels * sizeof *p->tile;
    }
    for (int id = 0; id < SEG_COUNT; id++) {
        if (!v->facts.seg[id].there) continue;
        v->seg[id].z_m = malloc(v->seg[id].n * sizeof(double));
        good = good && v->seg[id].z_m;
    }
    v->stream = digest_stream_new();
    v->facts.tile_bytes = total;
    return good && v->stream
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory for a tile of %zu bytes", total);
}

enum status volume_cut_tiles(struct volume *v, struct report *rep)
{
    size_t bytes = bytes_of_pixel(v);
    if (bytes > LARGEST_BLOCK)
        return fail(rep, ST_INPUT,
                    "one pixel needs %zu MiB of samples, the largest that is read is "
                    "%zu MiB",
                    bytes >> 20, LARGEST_BLOCK >> 20);
    choose_tile(v, bytes > smallest_pixel ? bytes : smallest_pixel);
    return make_buffers(v, rep);
}

size_t volume_tile_count(const struct volume *v)
{
    const struct volume_facts *f = &v->facts;
    return ((f->ny + f->tile_rows - 1) / f->tile_rows) *
           ((f->nx + f->tile_cols - 1) / f->tile_cols);
}

struct tile volume_tile(const struct volume *v, size_t index)
{
    return volume_cut(&v->facts, index);
}

struct tile volume_cut(const struct volume_facts *f, size_t index)
{
    size_t across = (f->nx + f->tile_cols - 1) / f->tile_cols;
    struct tile t = {index / across * f->tile_rows, index % across * f->tile_cols, f->tile_rows,
                     f->tile_cols};
    if (t.rows > f->ny - t.row0) t.rows = f->ny - t.row0;
    if (t.cols > f->nx - t.col0) t.cols = f->nx - t.col0;
    return t;
}

static enum status read_samples(struct samples *s, const size_t *start, const size_t *count,
                                struct report *rep)
{
    bool done = false;
    enum status st = ST_OK;
    if (s->unpack) st = unpacker_read(s->unpack, &s->set, start, count, s->tile, &done, rep);
    if (st != ST_OK || done) return st;
    return dataset_read(&s->set, start, count, number_memory(s->set.number), s->tile, rep);
}

/* The file that the samples are in: of a skeleton the one it was made for, if it is one. */
static bool look_at(const struct volume *v, struct stat *facts)
{
    void *handle = NULL;
    if (v->source.skeleton) return stat(v->path, facts) == 0;
    return H5Fget_vfd_handle(v->source.file, H5P_DEFAULT, &handle) >= 0 && handle &&
           fstat(*(int *)handle, facts) == 0;
}

enum status volume_check_length(const struct volume *v, struct report *rep)
{
    struct stat facts;
    if (!look_at(v, &facts))
        return v->source.skeleton
                   ? ST_OK /* several files: looked at part by part */
                   : fail(rep, ST_INPUT, "%s: cannot be looked at any more", v->path);
    if (!S_ISREG(facts.st_mode) || (uint64_t)facts.st_size >= v->source.bytes) return ST_OK;
    return fail(rep, ST_INPUT, "%s: has been cut off while it was read; bring it back as it was",
                v->path);
}

enum status volume_read_tile(struct volume *v, struct tile t, struct report *rep)
{
    enum status st = ST_OK;
    v->tile = (struct tile){0};
    if (t.rows * t.cols > v->facts.tile_rows * v->facts.tile_cols)
        return fail(rep, ST_BUG, "%s: a tile larger than the volume's own was asked for", v->path);
    guard_file(v->path);
    for (size_t i = 0; i < 3 * SEG_COUNT && st == ST_OK; i++) {
        struct samples *s = samples_at(v, i);
        size_t start[4] = {t.row0, t.col0, 0, 0};
        size_t count[4] = {t.rows, t.cols, s->set.dims[2], s->set.dims[3]};
        if (s->set.id >= 0) st = read_samples(s, start, count, rep);
    }
    for (size_t i = 0; i < PER_PIXEL && st == ST_OK; i++) {
        struct per_pixel *p = per_pixel_at(v, i);
        if (p->set.id >= 0) st = per_pixel_read(p, t, p->tile, rep);
    }
    guard_file(NULL);
    if (st != ST_OK) return within(rep, st, "%s: ", v->path);
    v->tile = t;
    return volume_check_length(v, rep);
}
