#include "review/bins.h"

#include <stdlib.h>

enum { BINS_MOST = 2048 };

static void fill(const double *sorted, size_t n, struct bins *b)
{
    double low = sorted[0], step = (sorted[n - 1] - low) / BINS_MOST;
    for (size_t i = 0; i < n; b->n++) {
        size_t from = i;
        double sum = 0;
        double place = step > 0 ? (sorted[i] - low) / step : 0;
        double edge = low + step * (double)((size_t)place + 1);
        do
            sum += sorted[i++];
        while (n > BINS_MOST && i < n && sorted[i] < edge);
        b->first[b->n] = from;
        b->w[b->n] = (double)(i - from);
        b->x[b->n] = sum / b->w[b->n];
    }
    b->first[b->n] = n;
}

enum status bins_make(const double *sorted, size_t n, struct bins *out, struct report *rep)
{
    size_t room = BINS_MOST + 2; /* the largest value may have a bin of its own */
    *out = (struct bins){0, malloc(room * sizeof(double)), malloc(room * sizeof(double)),
                         malloc((room + 1) * sizeof(size_t))};
    if (!out->x || !out->w || !out->first) {
        bins_free(out);
        return fail(rep, ST_MEMORY, "not enough memory to sum up %zu pixels", n);
    }
    if (n > 0) fill(sorted, n, out);
    return ST_OK;
}

void bins_free(struct bins *b)
{
    free(b->x);
    free(b->w);
    free(b->first);
    *b = (struct bins){0};
}
