/** Figures, drawn by gnuplot. Everything that comes from a file is data: text is quoted, numbers go
 *  through files in a private directory, no shell is involved. Knows numbers and words, not HDF5.
 */
#ifndef CANTLE_FIGURE_FIGURE_H
#define CANTLE_FIGURE_FIGURE_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** One map with colour bar and histogram. */
struct figure_map {
    const char *title, *label; /**< label: words; the unit with prefix is added by the figure */
    const char *si_unit;       /**< "Pa", "N", "m", "1", ... */
    size_t ny, nx;
    const double *x_m, *y_m; /**< [nx], [ny] ascending pixel centres */
    const double *value;     /**< [ny*nx] SI, row 0 at the bottom; NaN = not computed */
    const uint8_t *mark; /**< [ny*nx] 0 plain, 1 doubtful, 2 rejected, 3 absent; NULL = all plain */
    bool log_scale;
    double low, high; /**< colour range in SI; NaN = 2nd and 98th percentile */
};

/** One line or point set of a panel. */
struct figure_series {
    const char *name;    /**< key entry, NULL = none */
    const double *x, *y; /**< [n]; NaN breaks a line */
    size_t n;
    int style;  /**< 0 points, 1 line, 2 dashed line, 3 large marker */
    int colour; /**< index into the colour-blind-safe set, 0.. */
};

/** One panel of curves; axes already in the unit that the labels name. */
struct figure_panel {
    const char *title, *x_label, *y_label;
    const struct figure_series *series;
    size_t n_series;
};

/** Draw one or several maps (each with colour bar and histogram) in a grid, `columns` beside each
 *  other (0 = choose), under one title (NULL or "" = none), into `path`; the ending chooses the
 *  format: .png (180 dpi) .svg .pdf. Made under a temporary name beside it and renamed; a figure
 * that is there already is replaced. Rejected pixels are grey, absent ones and ones without a value
 * white; doubtful ones keep their colour and carry a dot if pixels are large enough. A legend below
 * counts them. Errors: ST_USAGE for another ending, ST_TOOL without gnuplot, ST_OUTPUT, ST_MEMORY;
 * then nothing has changed. */
enum status figure_maps(const char *title, const struct figure_map *maps, size_t n, size_t columns,
                        const char *path, struct report *rep) MUST_CHECK;

/** How values are distributed, and where their phases lie. Everything borrowed. */
struct figure_distribution {
    const char *title, *label; /**< label: words; the unit with prefix is added */
    const char *si_unit;
    const double *value; /**< [n] ascending, SI, above zero */
    size_t n;
    double median, low, high; /**< of the median, SI; NaN = not drawn */
    /* Normal distributions of ln(value): */
    int k;                            /**< 0 = none */
    const double *weight, *mean, *sd; /**< [k] */
    /* The plane; phase NULL = none. */
    size_t ny, nx;
    const double *x_m, *y_m; /**< [nx], [ny] ascending */
    const uint8_t *phase;    /**< [ny*nx] 0 = not used, 1..k */
    const char *text;        /**< below: lines separated by newlines */
};

/** Draw a histogram over a logarithmic axis with the distributions' curves, and the phase map
 * beside it. Path and errors as for figure_maps. */
enum status figure_distribution(const struct figure_distribution *d, const char *path,
                                struct report *rep) MUST_CHECK;

/** Draw panels one under the other, with `text` (lines separated by newlines) beside them. Path and
 *  errors as for figure_maps. */
enum status figure_panels(const char *title, const struct figure_panel *panels, size_t n,
                          const char *text, const char *path, struct report *rep) MUST_CHECK;

/** Values of one group, with its median and the interval of that. */
struct figure_group {
    const char *name, *note; /**< note: a short line below the name, such as "n = 4" */
    const double *value;     /**< [n] SI */
    size_t n;
    double median, low, high; /**< SI; NaN = not drawn */
};

/** Draw groups beside each other: a dot a value, a thick line for the median, a thin one for its
 * interval. label: words, to which the unit is added. Path and errors as for figure_maps. */
enum status figure_groups(const char *title, const char *label, const char *si_unit, bool log_scale,
                          const struct figure_group *groups, size_t n, const char *path,
                          struct report *rep) MUST_CHECK;

#endif
