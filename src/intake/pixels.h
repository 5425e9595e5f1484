/** The grid of a source: how many rows and columns, which curve lies where, and at which x and y.
 */
#ifndef CANTLE_INTAKE_PIXELS_H
#define CANTLE_INTAKE_PIXELS_H

#include "intake/description.h"
#include "intake/picked.h"
#include "volume/skeleton.h"

struct pixels {
    size_t ny, nx;
    struct curve_list *list; /**< NULL: the arrays have rows and columns of their own */
    bool columns_first;      /**< arrays of one number for each pixel are [nx,ny] */
    double *x_m, *y_m;       /**< [nx], [ny]; NULL: not known */
};

void pixels_free(struct pixels *p);

/** What is known of the n curves of a list; NULL where not. */
struct placement {
    size_t n;
    const double *row, *column; /**< [n] as counted in the source */
    const double *x_m, *y_m;    /**< [n] */
    const char *const *name;    /**< [n] for messages */
};

/** Place the curves of a list: by row and column, by positions, or by grid.order. Errors: ST_RECIPE
 * when it is not said how, ST_INPUT when two curves lie at one pixel or positions make no grid. */
enum status pixels_place(const struct description *d, const struct placement *curves,
                         struct pixels *out, struct report *rep) MUST_CHECK;

/** One number for each curve or pixel, `n` of them, in the order of the grid [ny*nx], malloc'd;
 * n 1: everywhere the same. Pixels without curve get `none`. Errors: ST_INPUT. */
enum status pixels_spread(const struct pixels *p, const double *values, size_t n, double none,
                          double **out, struct report *rep) MUST_CHECK;

/** /grid/x, /grid/y and, where the list has gaps, /grid/present. Sizes in metres, NaN = not given.
 */
enum status pixels_put(const struct description *d, const struct pixels *p, double size_x_m,
                       double size_y_m, struct skeleton *sk, struct report *rep) MUST_CHECK;

#endif
