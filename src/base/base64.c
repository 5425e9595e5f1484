#include "base/base64.h"

size_t base64_write(const unsigned char *data, size_t n, char *out)
{
    static const char digits[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    char *to = out;
    for (size_t i = 0; i < n; i += 3) {
        size_t left = n - i;
        unsigned bits = (unsigned)data[i] << 16;
        if (left > 1) bits |= (unsigned)data[i + 1] << 8;
        if (left > 2) bits |= data[i + 2];
        *to++ = digits[bits >> 18 & 63];
        *to++ = digits[bits >> 12 & 63];
        *to++ = left > 1 ? digits[bits >> 6 & 63] : '=';
        *to++ = left > 2 ? digits[bits & 63] : '=';
    }
    return (size_t)(to - out);
}

static void put_held(struct base64 *b)
{
    char text[4];
    fwrite(text, 1, base64_write(b->held, b->n, text), b->out);
    b->n = 0;
}

void base64_put(struct base64 *b, const void *bytes, size_t n)
{
    const unsigned char *from = bytes;
    for (size_t i = 0; i < n; i++) {
        b->held[b->n++] = from[i];
        if (b->n == sizeof b->held) put_held(b);
    }
}

void base64_end(struct base64 *b)
{
    put_held(b);
}
