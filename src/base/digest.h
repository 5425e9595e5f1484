/** A content digest that does not depend on order or on who read what.
 *
 *  digest = sum, modulo 2^128, over all pixels of XXH3-128(bytes of the pixel; seed = pixel index).
 *  Sums over parts add up to the sum over the whole, so any number of ranks gets the same. It
 * detects damage and mix-ups; it is not a signature against forgery. XXH3: Y. Collet, xxHash
 * library. */
#ifndef CANTLE_BASE_DIGEST_H
#define CANTLE_BASE_DIGEST_H

#include <stddef.h>
#include <stdint.h>

struct digest {
    uint64_t high, low;
};

/** sum += value, modulo 2^128. */
void digest_add(struct digest *sum, struct digest value);
/** XXH3-128 of n bytes with a seed. */
struct digest digest_bytes(const void *bytes, size_t n, uint64_t seed);
/** Streaming form for a pixel whose bytes lie in several arrays: begin, feed, end. Opaque handle
 * from digest_stream_new (NULL without memory), freed by digest_stream_free. */
struct digest_stream;
struct digest_stream *digest_stream_new(void);
void digest_stream_begin(struct digest_stream *s, uint64_t seed);
void digest_stream_feed(struct digest_stream *s, const void *bytes, size_t n);
struct digest digest_stream_end(struct digest_stream *s);
void digest_stream_free(struct digest_stream *s);
/** 32 hexadecimal digits and a 0. */
void digest_text(struct digest d, char out[33]);

#endif
