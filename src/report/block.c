#include "base/base64.h"
#include "report/report_private.h"

#include <stdlib.h>
#include <string.h>

/* Tags, name and line ends around the data. */
enum { AROUND = 96 };

size_t block_size(size_t n)
{
    return 4 * ((n + 2) / 3) + AROUND;
}

static bool grow(struct html_report *r)
{
    if (r->n_blocks < r->room) return true;
    size_t room = r->room ? 2 * r->room : 64;
    struct block *more = realloc(r->block, room * sizeof *more);
    if (!more) return false;
    r->block = more;
    r->room = room;
    return true;
}

static void to_little_endian(unsigned char *data, size_t item, size_t n)
{
#if __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
    for (size_t i = 0; i < n; i++)
        for (size_t k = 0; k < item / 2; k++) {
            unsigned char *one = data + i * item, keep = one[k];
            one[k] = one[item - 1 - k];
            one[item - 1 - k] = keep;
        }
#else
    (void)data, (void)item, (void)n;
#endif
}

enum status block_add(struct html_report *r, const char *name, const void *data, size_t item,
                      size_t n, struct report *rep)
{
    const size_t bytes = item * n;
    unsigned char *copy = malloc(bytes ? bytes : 1);
    char *text = malloc(block_size(bytes));
    if (!copy || !text || !grow(r)) {
        free(copy);
        free(text);
        return fail(rep, ST_MEMORY, "not enough memory for a report");
    }
    if (bytes) memcpy(copy, data, bytes);
    to_little_endian(copy, item, n);
    struct block *b = &r->block[r->n_blocks++];
    *b = (struct block){.text = text, .n = base64_write(copy, bytes, text)};
    snprintf(b->name, sizeof b->name, "%s", name);
    r->used += block_size(bytes);
    free(copy);
    return ST_OK;
}
