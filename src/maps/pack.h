/** Bands of whole rows of a plane, as the chunks of the finished file hold them. Memory only. */
#ifndef CANTLE_MAPS_PACK_H
#define CANTLE_MAPS_PACK_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>

/** How a plane is stored. */
struct packing {
    size_t rows;      /**< of the plane */
    size_t band_rows; /**< of a band; the last one may have fewer, and is filled up when deflated */
    size_t row_bytes, number_bytes;
    const void *fill; /**< [number_bytes] */
    int deflate;      /**< level 1 to 9 of shuffle and deflate; 0: as it is */
};

/** The bands of one plane, one after the other in `data`. Begin with zeros; used again for the next
 * plane. */
struct packed {
    size_t n, *bytes; /**< bands, and the length of each */
    unsigned char *data;
    size_t room, room_bands; /**< of data and of bytes */
};

/** How many bands: at least one. */
size_t pack_bands(const struct packing *how);
/** Most bytes that a band takes. */
size_t pack_most(const struct packing *how);
/** Pack a plane [rows * row_bytes]. The same bytes on every rank: zlib's format (RFC 1950) over
 * HDF5's shuffle (all first bytes of the numbers, then all second ones, ...). Errors: ST_MEMORY. */
enum status pack_plane(struct packed *out, const struct packing *how, const void *plane,
                       struct report *rep) MUST_CHECK;
void pack_free(struct packed *p);

#endif
