/** Many sorted values as few weighted ones. */
#ifndef CANTLE_REVIEW_BINS_H
#define CANTLE_REVIEW_BINS_H

#include "base/status.h"
#include "review/mixture.h"

struct bins {
    size_t n;
    double *x, *w; /**< [n] mean of the values of a bin, how many */
    size_t *first; /**< [n+1] where they begin among the sorted values */
};

/** Equal widths over the range; empty bins are left out. No more than 2048; each value by itself if
 * there are not more than that. Errors: ST_MEMORY. */
enum status bins_make(const double *sorted, size_t n, struct bins *out,
                      struct report *rep) MUST_CHECK;
void bins_free(struct bins *b);

#endif
