#include "review/correlation.h"

#include <gsl/gsl_fft_complex.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

/* A padded plane of complex numbers; lags wrap round in it. */
struct plane {
    size_t ny, nx;
    double *z; /* [ny*nx*2] */
};

static size_t power_of_two(size_t least)
{
    size_t n = 1;
    while (n < least)
        n *= 2;
    return n;
}

/* Forward or, but for the factor 1/(ny nx), backward. */
static void transform(const struct plane *p, bool forward)
{
    for (size_t i = 0; i < p->ny; i++)
        (forward ? gsl_fft_complex_radix2_forward
                 : gsl_fft_complex_radix2_backward)(p->z + 2 * i * p->nx, 1, p->nx);
    for (size_t j = 0; j < p->nx; j++)
        (forward ? gsl_fft_complex_radix2_forward : gsl_fft_complex_radix2_backward)(p->z + 2 * j,
                                                                                     p->nx, p->ny);
}

/* The plane becomes the sum over all pairs at each lag, times ny nx. */
static void autosum(const struct plane *p)
{
    transform(p, true);
    for (size_t i = 0; i < p->ny * p->nx; i++) {
        double re = p->z[2 * i], im = p->z[2 * i + 1];
        p->z[2 * i] = re * re + im * im;
        p->z[2 * i + 1] = 0;
    }
    transform(p, false);
}

/* Correlation at a lag, 0 where there are no pairs. */
static double at(const struct plane *sum, const struct plane *pairs, size_t i, size_t j,
                 double *n_pairs)
{
    double scale = 1 / ((double)sum->ny * (double)sum->nx);
    double n = pairs->z[2 * (i * sum->nx + j)] * scale;
    double all = sum->z[0] / pairs->z[0];
    *n_pairs = n;
    return n > 0.5 ? sum->z[2 * (i * sum->nx + j)] * scale / n / all : 0;
}

static size_t find_reach(const struct plane *sum, const struct plane *pairs, size_t n, bool along_y)
{
    size_t most = n / 3 > 1 ? n / 3 : 1, lag = 1;
    for (; lag < most; lag++) {
        double n_pairs, r = at(sum, pairs, along_y ? lag : 0, along_y ? 0 : lag, &n_pairs);
        if (!(r > 2 / sqrt(fmax(n_pairs, 1)))) break;
    }
    return lag;
}

/* Part of the pairs at a lag that lies within one block. */
static double kept(size_t lag, size_t block)
{
    return lag < block ? 1 - (double)lag / (double)block : 0;
}

/* Over both signs of both lags: the sum at (i, -j) is that at (-i, j). */
static void sum_within(const struct plane *sum, const struct plane *pairs, struct correlation *c)
{
    double total = 0, in_blocks = 0, unused;
    for (size_t i = 0; i < c->reach_y; i++)
        for (size_t j = 0; j < c->reach_x; j++) {
            double here = (i || j ? 2 : 1) * at(sum, pairs, i, j, &unused);
            if (i && j) here += 2 * at(sum, pairs, i, sum->nx - j, &unused);
            total += here;
            in_blocks += here * kept(i, c->block_y) * kept(j, c->block_x);
        }
    c->inflation = fmax(total, 1);
    c->lost = fmax(c->inflation / fmax(in_blocks, 1), 1);
}

static size_t choose_side(size_t reach, size_t asked, size_t n)
{
    size_t most = n / 4 > 1 ? n / 4 : 1, wanted = asked ? asked : reach > 1 ? 2 * reach : 1;
    return wanted < most ? wanted : most;
}

static double mean_of(const double *value, size_t n, size_t *count)
{
    double sum = 0;
    *count = 0;
    for (size_t i = 0; i < n; i++)
        if (!isnan(value[i])) sum += value[i], ++*count;
    return *count ? sum / (double)*count : 0;
}

enum status correlation_find(size_t ny, size_t nx, const double *value, size_t block,
                             struct correlation *out, struct report *rep)
{
    size_t n;
    const double mean = mean_of(value, ny * nx, &n);
    struct plane sum = {power_of_two(ny + ny / 3 + 1), power_of_two(nx + nx / 3 + 1), NULL};
    struct plane pairs = sum;
    enum status st = ST_OK;
    *out = (struct correlation){1, 1, 1, (double)n, 1, 1, 1};
    sum.z = calloc(sum.ny * sum.nx * 2, sizeof *sum.z);
    pairs.z = calloc(sum.ny * sum.nx * 2, sizeof *pairs.z);
    if (!sum.z || !pairs.z) {
        st = fail(rep, ST_MEMORY, "not enough memory for the correlation of %zu pixels", n);
        goto done;
    }
    for (size_t i = 0; i < ny * nx; i++) {
        size_t to = 2 * (i / nx * sum.nx + i % nx);
        if (isnan(value[i])) continue;
        sum.z[to] = value[i] - mean;
        pairs.z[to] = 1;
    }
    autosum(&sum);
    autosum(&pairs);
    if (n < 2 || !(sum.z[0] > 0)) goto done;
    out->reach_y = find_reach(&sum, &pairs, ny, true);
    out->reach_x = find_reach(&sum, &pairs, nx, false);
    out->block_y = choose_side(out->reach_y, block, ny);
    out->block_x = choose_side(out->reach_x, block, nx);
    sum_within(&sum, &pairs, out);
    out->inflation = fmin(out->inflation, (double)n);
    out->n_effective = (double)n / out->inflation;
done:
    free(sum.z);
    free(pairs.z);
    return st;
}
