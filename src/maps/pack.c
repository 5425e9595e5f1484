#include "maps/pack.h"

#include <libdeflate.h>
#include <stdlib.h>
#include <string.h>

size_t pack_bands(const struct packing *how)
{
    return (how->rows + how->band_rows - 1) / how->band_rows;
}

/* zlib's frame and the heads of blocks that cannot be made smaller: libdeflate's own bound, without
 * its tool (at most 5 bytes for each 10,000, and a frame) */
size_t pack_most(const struct packing *how)
{
    const size_t bytes = how->band_rows * how->row_bytes;
    return bytes + bytes / 1000 + 1024;
}

static void shuffle(const unsigned char *from, size_t n, size_t size, unsigned char *to)
{
    for (size_t b = 0; b < size; b++)
        for (size_t i = 0; i < n; i++)
            to[b * n + i] = from[i * size + b];
}

/* One band as a chunk is: always whole, so the last one is filled up. */
struct tools {
    struct libdeflate_compressor *deflate;
    unsigned char *whole, *shuffled; /* [band_rows * row_bytes] */
};

static bool begin(struct tools *t, const struct packing *how)
{
    const size_t bytes = how->band_rows * how->row_bytes;
    t->deflate = libdeflate_alloc_compressor(how->deflate);
    t->whole = malloc(bytes);
    t->shuffled = malloc(bytes);
    return t->deflate && t->whole && t->shuffled &&
           libdeflate_zlib_compress_bound(t->deflate, bytes) <= pack_most(how);
}

static void end(struct tools *t)
{
    if (t->deflate) libdeflate_free_compressor(t->deflate);
    free(t->whole);
    free(t->shuffled);
}

static size_t deflate_band(struct tools *t, const struct packing *how, const unsigned char *band,
                           size_t there, unsigned char *out)
{
    const size_t bytes = how->band_rows * how->row_bytes, size = how->number_bytes;
    if (there < bytes) {
        memcpy(t->whole, band, there);
        for (size_t at = there; at < bytes; at += size)
            memcpy(t->whole + at, how->fill, size);
        band = t->whole;
    }
    shuffle(band, bytes / size, size, t->shuffled);
    return libdeflate_zlib_compress(t->deflate, t->shuffled, bytes, out, pack_most(how));
}

static bool make_room(struct packed *p, const struct packing *how)
{
    const size_t bands = pack_bands(how), bytes = bands * pack_most(how);
    if (p->room_bands < bands) {
        free(p->bytes);
        p->bytes = malloc(bands * sizeof *p->bytes);
        p->room_bands = p->bytes ? bands : 0;
    }
    if (p->room < bytes) {
        free(p->data);
        p->data = malloc(bytes);
        p->room = p->data ? bytes : 0;
    }
    return p->bytes && p->data;
}

enum status pack_plane(struct packed *out, const struct packing *how, const void *plane,
                       struct report *rep)
{
    const unsigned char *from = plane;
    struct tools t = {NULL, NULL, NULL};
    size_t at = 0;
    bool good = make_room(out, how) && (how->deflate == 0 || begin(&t, how));
    out->n = 0;
    for (size_t row = 0; row < how->rows && good; row += how->band_rows) {
        const size_t left = how->rows - row,
                     there = (left < how->band_rows ? left : how->band_rows) * how->row_bytes;
        size_t bytes = there;
        if (how->deflate)
            bytes = deflate_band(&t, how, from, there, out->data + at);
        else
            memcpy(out->data + at, from, there);
        good = bytes > 0;
        out->bytes[out->n++] = bytes;
        at += bytes;
        from += there;
    }
    end(&t);
    return good
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory to compress a map of %zu rows", how->rows);
}

void pack_free(struct packed *p)
{
    free(p->bytes);
    free(p->data);
    *p = (struct packed){0};
}
