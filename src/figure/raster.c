#include "figure/raster.h"

#include "figure/palette.h"

#include <math.h>
#include <stdlib.h>

enum { RASTER_POINTS = 512, RASTER_POINTS_MOST = 4096 };

/* Upper edge of pixel i; that of pixel -1 is the lower edge of pixel 0. */
static double edge(const double *centre, size_t n, long i, double lone)
{
    if (n == 1) return centre[0] + (i < 0 ? -0.5 : 0.5) * lone;
    if (i < 0) return centre[0] - 0.5 * (centre[1] - centre[0]);
    if ((size_t)i + 1 >= n) return centre[n - 1] + 0.5 * (centre[n - 1] - centre[n - 2]);
    return 0.5 * (centre[i] + centre[i + 1]);
}

static size_t points_needed(size_t n, double smallest, double largest, double extent)
{
    size_t repeat = (RASTER_POINTS + n - 1) / n;
    if (largest - smallest < 1e-3 * largest) return n * (repeat < 2 && n == 1 ? 2 : repeat);
    return (size_t)fmin(fmax(4 * ceil(extent / smallest), RASTER_POINTS), RASTER_POINTS_MOST);
}

enum status raster_axis_make(struct raster_axis *out, const double *centre_m, size_t n,
                             double lone_m, struct report *rep)
{
    double largest = 0;
    *out = (struct raster_axis){.low_m = edge(centre_m, n, -1, lone_m),
                                .high_m = edge(centre_m, n, (long)n - 1, lone_m),
                                .smallest_m = INFINITY};
    for (size_t i = 0; i < n; i++) {
        double width = edge(centre_m, n, (long)i, lone_m) - edge(centre_m, n, (long)i - 1, lone_m);
        out->smallest_m = fmin(out->smallest_m, width);
        largest = fmax(largest, width);
    }
    double extent = out->high_m - out->low_m;
    out->n = points_needed(n, out->smallest_m, largest, extent);
    out->from = malloc(out->n * sizeof *out->from);
    if (!out->from) return fail(rep, ST_MEMORY, "no memory to draw a map");
    bool regular = out->n % n == 0 && largest - out->smallest_m < 1e-3 * largest;
    for (size_t i = 0, pixel = 0; i < out->n; i++) {
        double at = out->low_m + ((double)i + 0.5) * extent / (double)out->n;
        while (pixel + 1 < n && edge(centre_m, n, (long)pixel, lone_m) < at)
            pixel++;
        out->from[i] = regular ? i / (out->n / n) : pixel;
    }
    return ST_OK;
}

void raster_axis_free(struct raster_axis *axis)
{
    free(axis->from);
    axis->from = NULL;
}

static uint32_t colour_of(const struct figure_map *map, const struct value_scale *scale,
                          size_t pixel)
{
    switch (scale_look(map, pixel)) {
    case LOOK_PLAIN:
    case LOOK_DOUBTFUL:
        return palette_map(scale_place(scale, map->value[pixel]));
    case LOOK_REJECTED:
        return COLOUR_REJECTED;
    default:
        return COLOUR_EMPTY;
    }
}

void raster_write(FILE *out, const struct figure_map *map, const struct value_scale *scale,
                  const struct raster_axis *x, const struct raster_axis *y)
{
    for (size_t j = 0; j < y->n; j++)
        for (size_t i = 0; i < x->n; i++) {
            uint32_t rgb = colour_of(map, scale, y->from[j] * map->nx + x->from[i]);
            fputc((int)(rgb >> 16 & 255), out);
            fputc((int)(rgb >> 8 & 255), out);
            fputc((int)(rgb & 255), out);
        }
}
