#include "volume/unpack.h"

#include <libdeflate.h>
#include <stdlib.h>
#include <string.h>

struct unpacker {
    struct libdeflate_decompressor *tool;
    size_t bytes, room;   /* of a chunk unpacked; of `packed` */
    char *packed, *plain; /* plain: shuffled still */
    char *chunk;          /* as the dataset has it */
    char fill[8];         /* what a chunk that was never written holds */
    size_t size;          /* of a number */
};

/* Nothing but deflate, or shuffle and deflate, over numbers as this machine has them. */
static bool plain_filters(const struct dataset *d)
{
    hid_t plist = H5Dget_create_plist(d->id), type = H5Dget_type(d->id);
    int n = plist < 0 ? 0 : H5Pget_nfilters(plist);
    bool good = n == 1 + d->shuffle && d->deflate && type >= 0 &&
                H5Tequal(type, number_memory(d->number)) > 0;
    for (int i = 0; good && i < n; i++) {
        size_t values = 0;
        unsigned flags, config;
        H5Z_filter_t id = H5Pget_filter2(plist, (unsigned)i, &flags, &values, NULL, 0, NULL,
                                         &config);
        good = id == (i + 1 < n ? H5Z_FILTER_SHUFFLE : H5Z_FILTER_DEFLATE);
    }
    if (type >= 0) H5Tclose(type);
    if (plist >= 0) H5Pclose(plist);
    return good;
}

/* Each chunk must lie in one tile, so that it is unpacked once. */
static bool chunks_fit(const struct dataset *d, size_t tile_rows, size_t tile_cols)
{
    return d->chunk[0] > 0 && tile_rows % d->chunk[0] == 0 && d->chunk[1] > 0 &&
           (tile_cols % d->chunk[1] == 0 || tile_cols == d->dims[1]);
}

static bool find_fill(const struct dataset *d, char fill[8])
{
    hid_t plist = H5Dget_create_plist(d->id);
    bool good = plist >= 0 && H5Pget_fill_value(plist, number_memory(d->number), fill) >= 0;
    if (plist >= 0) H5Pclose(plist);
    return good;
}

struct unpacker *unpacker_new(const struct dataset *d, size_t tile_rows, size_t tile_cols)
{
    if (d->view || !d->chunked || d->rank < 3 || !chunks_fit(d, tile_rows, tile_cols) ||
        !plain_filters(d))
        return NULL;
    struct unpacker *u = calloc(1, sizeof *u);
    if (!u) return NULL;
    u->size = number_size(d->number);
    u->bytes = u->size;
    for (int i = 0; i < d->rank; i++)
        u->bytes *= d->chunk[i]; /* at most LARGEST_BLOCK: checked when it was opened */
    u->room = u->bytes + u->bytes / 512 + 1024; /* deflate adds little to what it cannot pack */
    u->tool = libdeflate_alloc_decompressor();
    u->packed = malloc(u->room);
    u->plain = malloc(u->bytes);
    u->chunk = malloc(u->bytes);
    if (u->tool && u->packed && u->plain && u->chunk && find_fill(d, u->fill)) return u;
    unpacker_free(u);
    return NULL;
}

void unpacker_free(struct unpacker *u)
{
    if (!u) return;
    if (u->tool) libdeflate_free_decompressor(u->tool);
    free(u->packed);
    free(u->plain);
    free(u->chunk);
    free(u);
}

/* Shuffle stores all first bytes of the numbers, then all second ones, ... */
static void unshuffle(const char *from, size_t bytes, size_t size, char *to)
{
    size_t n = bytes / size;
    if (size == 2)
        for (size_t i = 0; i < n; i++)
            to[2 * i] = from[i], to[2 * i + 1] = from[n + i];
    else
        for (size_t b = 0; b < size; b++)
            for (size_t i = 0; i < n; i++)
                to[i * size + b] = from[b * n + i];
}

static enum status damaged(const struct dataset *d, const hsize_t *at, struct report *rep)
{
    return fail(rep, ST_INPUT,
                "%s: the chunk at [%llu,%llu] cannot be unpacked, the file is damaged", d->name,
                (unsigned long long)at[0], (unsigned long long)at[1]);
}

/* The chunk at `at` into u->chunk. */
static enum status read_chunk(struct unpacker *u, const struct dataset *d, const hsize_t *at,
                              bool *done, struct report *rep)
{
    hsize_t packed = 0;
    uint32_t skipped = 0;
    *done = H5Dget_chunk_storage_size(d->id, at, &packed) >= 0;
    if (!*done) return ST_OK;
    if (packed == 0) { /* never written */
        for (size_t i = 0; i < u->bytes; i += u->size)
            memcpy(u->chunk + i, u->fill, u->size);
        return ST_OK;
    }
    if (packed > u->room || H5Dread_chunk(d->id, H5P_DEFAULT, at, &skipped, u->packed) < 0)
        return damaged(d, at, rep);
    *done = skipped == 0;
    /* stored as it is: HDF5 would not notice that it is too short */
    if (!*done) return packed == u->bytes ? ST_OK : damaged(d, at, rep);
    char *to = d->shuffle ? u->plain : u->chunk;
    if (libdeflate_zlib_decompress(u->tool, u->packed, (size_t)packed, to, u->bytes, NULL) !=
        LIBDEFLATE_SUCCESS)
        return damaged(d, at, rep);
    if (d->shuffle) unshuffle(u->plain, u->bytes, u->size, u->chunk);
    return ST_OK;
}

struct box {
    size_t from[4], to[4]; /* in the dataset */
};

/* The part of the chunk at `at` that the block wants, run by run along the last axis. */
static void copy_part(const struct unpacker *u, const size_t *chunk, const hsize_t *at,
                      const struct box *want, const struct box *part, char *out)
{
    size_t run = (part->to[3] - part->from[3]) * u->size, i[3];
    for (i[0] = part->from[0]; i[0] < part->to[0]; i[0]++)
        for (i[1] = part->from[1]; i[1] < part->to[1]; i[1]++)
            for (i[2] = part->from[2]; i[2] < part->to[2]; i[2]++) {
                size_t source = 0, target = 0;
                for (int k = 0; k < 3; k++) {
                    source = source * chunk[k] + (i[k] - (size_t)at[k]);
                    target = target * (want->to[k] - want->from[k]) + (i[k] - want->from[k]);
                }
                source = source * chunk[3] + (part->from[3] - (size_t)at[3]);
                target = target * (want->to[3] - want->from[3]) + (part->from[3] - want->from[3]);
                memcpy(out + target * u->size, u->chunk + source * u->size, run);
            }
}

/* Next chunk of the box, last axis quickest. @return false after the last one */
static bool next_chunk(const size_t *chunk, const struct box *want, hsize_t *at)
{
    for (int k = 4; k-- > 0;) {
        at[k] += chunk[k];
        if (at[k] < want->to[k]) return true;
        at[k] = want->from[k] / chunk[k] * chunk[k];
    }
    return false;
}

enum status unpacker_read(struct unpacker *u, const struct dataset *d, const size_t *start,
                          const size_t *count, void *out, bool *done, struct report *rep)
{
    struct box want, part;
    size_t chunk[4] = {1, 1, 1, 1};
    hsize_t at[4] = {0};
    for (int k = 0; k < 4; k++) { /* rank 3: a fourth axis of one */
        bool there = k < d->rank;
        if (there) chunk[k] = d->chunk[k];
        want.from[k] = there ? start[k] : 0;
        want.to[k] = want.from[k] + (there ? count[k] : 1);
        at[k] = want.from[k] / chunk[k] * chunk[k];
    }
    do {
        enum status st = read_chunk(u, d, at, done, rep);
        if (st != ST_OK || !*done) return st;
        for (int k = 0; k < 4; k++) {
            part.from[k] = at[k] > want.from[k] ? (size_t)at[k] : want.from[k];
            part.to[k] = at[k] + chunk[k] < want.to[k] ? (size_t)at[k] + chunk[k] : want.to[k];
        }
        copy_part(u, chunk, at, &want, &part, out);
    } while (next_chunk(chunk, &want, at));
    return ST_OK;
}
