#include "review/regions.h"

#include <stdlib.h>

static double half_gap(const double *position, size_t a, size_t b)
{
    return (position[b] - position[a]) / 2;
}

double regions_width(const double *position, size_t n, size_t i, double lone)
{
    if (n < 2) return lone;
    if (i == 0) return 2 * half_gap(position, 0, 1);
    if (i == n - 1) return 2 * half_gap(position, n - 2, n - 1);
    return half_gap(position, i - 1, i) + half_gap(position, i, i + 1);
}

double regions_pixel_area(size_t ny, size_t nx, const double *y_m, const double *x_m, size_t i,
                          size_t j)
{
    double wide_x = regions_width(x_m, nx, j, 1e-6), wide_y = regions_width(y_m, ny, i, 1e-6);
    if (ny == 1 && nx > 1) wide_y = wide_x;
    if (nx == 1 && ny > 1) wide_x = wide_y;
    return wide_x * wide_y;
}

/* Pixels that wait for a look at their neighbours: each is put there once. */
struct front {
    size_t *pixel, n;
};

static void reach(struct front *f, const uint8_t *chosen, uint32_t *label, size_t pixel,
                  uint32_t number)
{
    if (!chosen[pixel] || label[pixel]) return;
    label[pixel] = number;
    f->pixel[f->n++] = pixel;
}

static void flood(struct front *f, size_t ny, size_t nx, const uint8_t *chosen, uint32_t *label,
                  size_t from, uint32_t number)
{
    reach(f, chosen, label, from, number);
    while (f->n > 0) {
        size_t p = f->pixel[--f->n], i = p / nx, j = p % nx;
        if (j > 0) reach(f, chosen, label, p - 1, number);
        if (j + 1 < nx) reach(f, chosen, label, p + 1, number);
        if (i > 0) reach(f, chosen, label, p - nx, number);
        if (i + 1 < ny) reach(f, chosen, label, p + nx, number);
    }
}

enum status regions_label(size_t ny, size_t nx, const uint8_t *chosen, uint32_t *label,
                          uint32_t *count, struct report *rep)
{
    struct front f = {malloc(ny * nx * sizeof *f.pixel), 0};
    *count = 0;
    if (!f.pixel)
        return fail(rep, ST_MEMORY, "not enough memory for regions of %zu pixels", ny * nx);
    for (size_t p = 0; p < ny * nx; p++)
        label[p] = 0;
    for (size_t p = 0; p < ny * nx; p++)
        if (chosen[p] && !label[p]) flood(&f, ny, nx, chosen, label, p, ++*count);
    free(f.pixel);
    return ST_OK;
}
