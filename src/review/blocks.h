/** Resampling of a plane by blocks of neighbours, so that what resembles each other stays together.
 *
 *  The circular block bootstrap: blocks of by x bx pixels at random places, overlapping, wrapped
 *  round at the edges, until as many chosen pixels are drawn as there are. D.N. Politis and J.P.
 *  Romano, in: Exploring the Limits of Bootstrap, 1992, 263; for planes: S.N. Lahiri, Resampling
 *  Methods for Dependent Data, 2003, chapter 12. */
#ifndef CANTLE_REVIEW_BLOCKS_H
#define CANTLE_REVIEW_BLOCKS_H

#include "base/status.h"
#include "review/correlation.h"

#include <stddef.h>

struct blocks;

/** Level of the lower percentile whose interval of resampled values covers `coverage`: the normal
 *  quantile widened for what blocks lose of the correlation (c->lost) and, by Student's t, for how
 * few blocks there are; the upper level is 1 minus it. For independent pixels (1 - coverage)/2. */
double blocks_level(const struct correlation *c, size_t n, double coverage);

/** @param index  [ny*nx] place of a pixel in the counts, < n; (size_t)-1 = not chosen. Borrowed
 *  @param n      pixels that are chosen, > 0
 *  @param seed   the same seed gives the same draws (Mersenne twister of GSL)
 *  Errors: ST_MEMORY. */
enum status blocks_make(struct blocks **out, size_t ny, size_t nx, size_t by, size_t bx,
                        const size_t *index, size_t n, unsigned long seed,
                        struct report *rep) MUST_CHECK;

/** One draw: how often each pixel is in it, count[n]. @return sum of the counts */
size_t blocks_draw(struct blocks *b, unsigned *count);

void blocks_free(struct blocks **b);

#endif
