#include "base/digest.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <xxhash.h>

void digest_add(struct digest *sum, struct digest value)
{
    sum->low += value.low;
    sum->high += value.high + (sum->low < value.low);
}

struct digest digest_bytes(const void *bytes, size_t n, uint64_t seed)
{
    XXH128_hash_t h = XXH3_128bits_withSeed(bytes, n, seed);
    return (struct digest){h.high64, h.low64};
}

struct digest_stream *digest_stream_new(void)
{
    return (struct digest_stream *)XXH3_createState();
}

void digest_stream_begin(struct digest_stream *s, uint64_t seed)
{
    XXH3_128bits_reset_withSeed((XXH3_state_t *)s, seed);
}

void digest_stream_feed(struct digest_stream *s, const void *bytes, size_t n)
{
    XXH3_128bits_update((XXH3_state_t *)s, bytes, n);
}

struct digest digest_stream_end(struct digest_stream *s)
{
    XXH128_hash_t h = XXH3_128bits_digest((XXH3_state_t *)s);
    return (struct digest){h.high64, h.low64};
}

void digest_stream_free(struct digest_stream *s)
{
    XXH3_freeState((XXH3_state_t *)s);
}

void digest_text(struct digest d, char out[33])
{
    snprintf(out, 33, "%016" PRIx64 "%016" PRIx64, d.high, d.low);
}
