#include "review/drift.h"

#include <gsl/gsl_sort_double.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

enum { LINES_MOST = 1024, FEWEST_LINES = 10 };

/* Quantiles of the lines that have values, and their numbers. */
static size_t line_quantiles(const double *value, size_t ny, size_t nx, double share, double *room,
                             double *at, double *level)
{
    const size_t stride = (ny + LINES_MOST - 1) / LINES_MOST;
    size_t n = 0;
    for (size_t i = 0; i < ny; i += stride) {
        size_t kept = 0;
        for (size_t j = 0; j < nx; j++)
            if (isfinite(value[i * nx + j])) room[kept++] = value[i * nx + j];
        if (kept == 0 || 4 * kept < nx) continue;
        at[n] = (double)i;
        gsl_sort(room, 1, kept);
        level[n++] = gsl_stats_quantile_from_sorted_data(room, 1, kept, share);
    }
    return n;
}

static double pair_slope(const double *at, const double *level, size_t n, double *room)
{
    size_t pairs = 0;
    for (size_t i = 0; i < n; i++)
        for (size_t k = i + 1; k < n; k++)
            room[pairs++] = (level[k] - level[i]) / (at[k] - at[i]);
    return gsl_stats_median(room, 1, pairs);
}

/* Standard error of the slope from the residuals about it. */
static double slope_error(const double *at, const double *level, size_t n, double slope,
                          double *room)
{
    double mean = gsl_stats_mean(at, 1, n), square = 0;
    for (size_t i = 0; i < n; i++) {
        room[i] = level[i] - slope * at[i];
        square += (at[i] - mean) * (at[i] - mean);
    }
    double *copy = room + n;
    for (size_t i = 0; i < n; i++)
        copy[i] = room[i];
    double middle = gsl_stats_median(copy, 1, n), product = 0, own = 0;
    for (size_t i = 0; i < n; i++) {
        room[i] -= middle;
        copy[i] = fabs(room[i]);
        if (i > 0) product += room[i] * room[i - 1];
        own += room[i] * room[i];
    }
    double r = own > 0 ? fmin(fmax(product / own, 0), 0.95) : 0;
    return 1.4826 * gsl_stats_median(copy, 1, n) / sqrt(square) * sqrt((1 + r) / (1 - r));
}

enum status drift_find(const double *value, size_t ny, size_t nx, double share, struct drift *out,
                       struct report *rep)
{
    const size_t lines = ny < LINES_MOST ? ny : LINES_MOST;
    const size_t pairs = lines * lines / 2 + 2 * lines + nx + 1;
    double *room = malloc((pairs + 2 * lines + 2) * sizeof *room);
    *out = (struct drift){.change = NAN, .error = NAN, .typical = NAN};
    if (!room) return fail(rep, ST_MEMORY, "not enough memory for the drift of %zu lines", ny);
    double *at = room + pairs, *level = at + lines + 1;
    const size_t n = out->lines = line_quantiles(value, ny, nx, share, room, at, level);
    if (n >= FEWEST_LINES) {
        double slope = pair_slope(at, level, n, room);
        out->change = slope * (double)(ny - 1);
        out->error = slope_error(at, level, n, slope, room) * (double)(ny - 1);
        out->typical = gsl_stats_median(level, 1, n);
    }
    free(room);
    return ST_OK;
}
