/** Base64 (RFC 4648, section 4), into memory or into a file piece by piece. */
#ifndef CANTLE_BASE_BASE64_H
#define CANTLE_BASE_BASE64_H

#include <stddef.h>
#include <stdio.h>

/** n bytes; `out` has room for 4 ((n + 2)/3) and gets no 0. @return how many were written */
size_t base64_write(const unsigned char *data, size_t n, char *out);

/** Pieces that are one text together; begin with {.out = FILE}. */
struct base64 {
    FILE *out; /**< borrowed; look at ferror() at the end */
    unsigned char held[3];
    size_t n;
};
void base64_put(struct base64 *b, const void *bytes, size_t n);
void base64_end(struct base64 *b);

#endif
