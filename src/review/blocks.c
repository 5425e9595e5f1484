#include "review/blocks.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

struct blocks {
    size_t ny, nx, by, bx, n;
    const size_t *index; /* borrowed */
    gsl_rng *rng;
};

double blocks_level(const struct correlation *c, size_t n, double coverage)
{
    double blocks = (double)n / (double)(c->block_y * c->block_x);
    double t = gsl_cdf_tdist_Pinv((1 - coverage) / 2, fmax(blocks - 1, 1));
    return gsl_cdf_ugaussian_P(t * sqrt(c->lost));
}

enum status blocks_make(struct blocks **out, size_t ny, size_t nx, size_t by, size_t bx,
                        const size_t *index, size_t n, unsigned long seed, struct report *rep)
{
    struct blocks *b = malloc(sizeof *b);
    *out = b;
    if (b) *b = (struct blocks){ny, nx, by, bx, n, index, gsl_rng_alloc(gsl_rng_mt19937)};
    if (!b || !b->rng) {
        blocks_free(out);
        return fail(rep, ST_MEMORY, "not enough memory to resample");
    }
    gsl_rng_set(b->rng, seed);
    return ST_OK;
}

void blocks_free(struct blocks **b)
{
    if (!*b) return;
    if ((*b)->rng) gsl_rng_free((*b)->rng);
    free(*b);
    *b = NULL;
}

static size_t add_block(const struct blocks *b, size_t top, size_t left, unsigned *count)
{
    size_t drawn = 0;
    for (size_t i = 0, y = top; i < b->by; i++, y = y + 1 < b->ny ? y + 1 : 0)
        for (size_t j = 0, x = left; j < b->bx; j++, x = x + 1 < b->nx ? x + 1 : 0) {
            size_t at = b->index[y * b->nx + x];
            if (at == (size_t)-1) continue;
            count[at]++;
            drawn++;
        }
    return drawn;
}

size_t blocks_draw(struct blocks *b, unsigned *count)
{
    size_t drawn = 0;
    memset(count, 0, b->n * sizeof *count);
    while (drawn < b->n) {
        size_t top = gsl_rng_uniform_int(b->rng, b->ny), left = gsl_rng_uniform_int(b->rng, b->nx);
        drawn += add_block(b, top, left, count);
    }
    return drawn;
}
