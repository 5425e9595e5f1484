#include "intake/pixels.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const size_t largest_side = (size_t)1 << 20;
/* Fewer pixels than this may all but be empty; a larger grid follows from a wrong number. */
static const size_t small_grid = (size_t)1 << 22, pixels_a_curve = 64;

void pixels_free(struct pixels *p)
{
    curve_list_drop(&p->list);
    free(p->x_m);
    free(p->y_m);
    p->x_m = p->y_m = NULL;
}

static void name_of(const struct placement *c, size_t i, char *out, size_t size)
{
    if (c->name)
        snprintf(out, size, "%s", c->name[i]);
    else
        snprintf(out, size, "curve %zu", i);
}

/* Make the list and put each curve at its pixel. */
static enum status fill_list(const struct placement *c, const size_t *row, const size_t *column,
                             struct pixels *out, struct report *rep)
{
    char one[128], other[128];
    if (out->ny > largest_side || out->nx > largest_side || out->ny * out->nx > ((size_t)1 << 31))
        return fail(rep, ST_INPUT, "a grid of %zu rows and %zu columns is too large", out->ny,
                    out->nx);
    out->list = curve_list_new(out->ny, out->nx, c->n);
    if (!out->list)
        return fail(rep, ST_MEMORY, "not enough memory for %zu pixels", out->ny * out->nx);
    for (size_t i = 0; i < c->n; i++) {
        size_t *at = &out->list->at[row[i] * out->nx + column[i]];
        if (*at != NO_CURVE) {
            name_of(c, *at, one, sizeof one);
            name_of(c, i, other, sizeof other);
            return fail(rep, ST_INPUT, "%s and %s lie at one pixel: row %zu, column %zu", one,
                        other, row[i], column[i]);
        }
        *at = i;
    }
    return ST_OK;
}

/* --- by row and column --- */

static enum status read_index(const struct description *d, const struct placement *c,
                              enum intake_key key, const double *from, size_t limit, size_t *out,
                              size_t *count, struct report *rep)
{
    double first = d->v[IN_grid_counted_from].number;
    char name[128];
    *count = limit;
    for (size_t i = 0; i < c->n; i++) {
        double index = from[i] - first;
        name_of(c, i, name, sizeof name);
        if (!(index >= 0 && index < (double)largest_side && index == floor(index)))
            return description_at(
                d, key,
                fail(rep, ST_INPUT, "%s has the number %g, counted from %g", name, from[i], first),
                rep);
        out[i] = (size_t)index;
        if (limit && out[i] >= limit)
            return description_at(
                d, key,
                fail(rep, ST_INPUT, "%s has the number %g, but grid.rows or grid.columns says %zu",
                     name, from[i], limit),
                rep);
        if (!limit && out[i] + 1 > *count) *count = out[i] + 1;
    }
    return ST_OK;
}

static size_t count_given(const struct description *d, enum intake_key key)
{
    return d->v[key].set ? (size_t)d->v[key].number : 0;
}

static enum status by_number(const struct description *d, const struct placement *c, size_t *row,
                             size_t *column, struct pixels *out, struct report *rep)
{
    enum status st;
    if (!d->v[IN_grid_counted_from].set)
        return description_ask(d, IN_grid_counted_from,
                               "it is not said whether rows and columns are counted from 0 or 1",
                               "0' or 'counted_from: 1", rep);
    memset(row, 0, c->n * sizeof *row);
    memset(column, 0, c->n * sizeof *column);
    out->ny = out->nx = 1;
    if (c->row && (st = read_index(d, c, IN_grid_row, c->row, count_given(d, IN_grid_rows), row,
                                   &out->ny, rep)) != ST_OK)
        return st;
    if (c->column &&
        (st = read_index(d, c, IN_grid_column, c->column, count_given(d, IN_grid_columns), column,
                         &out->nx, rep)) != ST_OK)
        return st;
    bool said = count_given(d, IN_grid_rows) && count_given(d, IN_grid_columns);
    if (!said && out->ny * out->nx > small_grid && out->ny * out->nx / pixels_a_curve > c->n)
        return fail(rep, ST_INPUT,
                    "%zu curves would lie on a grid of %zu rows and %zu columns, all but empty: is "
                    "one of the numbers wrong? If this is meant, give grid.rows and grid.columns",
                    c->n, out->ny, out->nx);
    return fill_list(c, row, column, out, rep);
}

/* --- by position --- */

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Different values of x, ascending: those that differ by less than a millionth of the range count
 * as one. */
static enum status different(const double *x, size_t n, double **values, size_t *count,
                             size_t *index, struct report *rep)
{
    double *sorted = malloc((n + 1) * sizeof *sorted);
    *values = sorted;
    if (!sorted) return fail(rep, ST_MEMORY, "not enough memory for %zu positions", n);
    memcpy(sorted, x, n * sizeof *x);
    qsort(sorted, n, sizeof *sorted, compare);
    double tolerance = 1e-6 * (sorted[n - 1] - sorted[0]);
    size_t m = 1;
    for (size_t i = 1; i < n; i++)
        if (sorted[i] - sorted[m - 1] > tolerance) sorted[m++] = sorted[i];
    for (size_t i = 0; i < n; i++) {
        size_t low = 0, high = m - 1;
        while (low < high) {
            size_t middle = (low + high + 1) / 2;
            if (sorted[middle] <= x[i] + 0.5 * tolerance)
                low = middle;
            else
                high = middle - 1;
        }
        index[i] = low;
    }
    *count = m;
    return ST_OK;
}

static enum status by_position(const struct placement *c, size_t *row, size_t *column,
                               struct pixels *out, struct report *rep)
{
    enum status st = ST_OK;
    for (size_t i = 0; i < c->n; i++)
        if (!isfinite(c->x_m[i]) || !isfinite(c->y_m[i]))
            return fail(rep, ST_INPUT, "the position of curve %zu is not a number", i);
    if ((st = different(c->x_m, c->n, &out->x_m, &out->nx, column, rep)) != ST_OK ||
        (st = different(c->y_m, c->n, &out->y_m, &out->ny, row, rep)) != ST_OK)
        return st;
    if (out->nx > 1 && out->ny > 1 && out->nx * out->ny > 4 * c->n)
        return fail(rep, ST_INPUT,
                    "%zu curves have %zu different x and %zu different y: these positions make no "
                    "grid; give their nominal positions, or row and column",
                    c->n, out->nx, out->ny);
    return fill_list(c, row, column, out, rep);
}

/* --- by order --- */

static enum status by_order(const struct description *d, const struct placement *c, size_t *row,
                            size_t *column, struct pixels *out, struct report *rep)
{
    size_t rows = count_given(d, IN_grid_rows), columns = count_given(d, IN_grid_columns);
    if (c->n == 1 && rows <= 1 && columns <= 1) rows = columns = 1;
    if (!rows && columns && c->n % columns == 0) rows = c->n / columns;
    if (!columns && rows && c->n % rows == 0) columns = c->n / rows;
    char why[160];
    snprintf(why, sizeof why, "it is not said where the %zu curves lie", c->n);
    if (!rows || !columns)
        return description_ask(d, IN_grid_rows, why,
                               "N' and the like 'columns: N', or 'row' and 'column', or 'x' and "
                               "'y",
                               rep);
    if (rows * columns != c->n)
        return fail(
            rep, ST_INPUT,
            "there are %zu curves, but grid.rows times grid.columns is %zu x %zu = %zu; say "
            "where each curve lies with grid.row and grid.column",
            c->n, rows, columns, rows * columns);
    int order = d->v[IN_grid_order].choice;
    if (order < 0 && rows > 1 && columns > 1)
        return description_ask(d, IN_grid_order,
                               "it is not said whether the curves follow each other along rows or "
                               "along columns",
                               "by_rows' or 'order: by_columns", rep);
    bool snake = d->v[IN_grid_serpentine].choice == 1;
    size_t line = order == 1 ? rows : columns;
    for (size_t i = 0; i < c->n; i++) {
        size_t along = i % line, across = i / line;
        if (snake && across % 2 == 1) along = line - 1 - along;
        row[i] = order == 1 ? along : across;
        column[i] = order == 1 ? across : along;
    }
    out->ny = rows;
    out->nx = columns;
    return fill_list(c, row, column, out, rep);
}

enum status pixels_place(const struct description *d, const struct placement *curves,
                         struct pixels *out, struct report *rep)
{
    enum status st;
    size_t *row = malloc((curves->n + 1) * sizeof *row);
    size_t *column = malloc((curves->n + 1) * sizeof *column);
    if (!row || !column)
        st = fail(rep, ST_MEMORY, "not enough memory for %zu curves", curves->n);
    else if (curves->row || curves->column)
        st = by_number(d, curves, row, column, out, rep);
    else if (curves->x_m && curves->y_m)
        st = by_position(curves, row, column, out, rep);
    else
        st = by_order(d, curves, row, column, out, rep);
    free(row);
    free(column);
    return st;
}

enum status pixels_spread(const struct pixels *p, const double *values, size_t n, double none,
                          double **out, struct report *rep)
{
    size_t pixels = p->ny * p->nx, expected = p->list ? p->list->n : pixels;
    *out = NULL;
    if (n != 1 && n != expected)
        return fail(rep, ST_INPUT, "has %zu numbers, but there are %zu %s", n, expected,
                    p->list ? "curves" : "pixels");
    double *all = malloc((pixels + 1) * sizeof *all);
    if (!all) return fail(rep, ST_MEMORY, "not enough memory for %zu pixels", pixels);
    for (size_t i = 0; i < pixels; i++) {
        size_t from = p->list            ? p->list->at[i]
                      : p->columns_first ? i % p->nx * p->ny + i / p->nx
                                         : i;
        all[i] = from == NO_CURVE ? none : values[n == 1 ? 0 : from];
    }
    *out = all;
    return ST_OK;
}

static enum status put_axis(const struct description *d, enum intake_key key, const char *name,
                            const double *known, double size_m, size_t n, bool falling,
                            struct skeleton *sk, struct report *rep)
{
    if (!known && n > 1 && !(isfinite(size_m) && size_m > 0))
        return description_ask(d, key,
                               key == IN_grid_pixel_size_x
                                   ? "the distance of neighbouring columns is not known"
                                   : "the distance of neighbouring rows is not known",
                               "0.5 um' (a length, or where it stands", rep);
    double *x = malloc(n * sizeof *x);
    if (!x) return fail(rep, ST_MEMORY, "not enough memory for %zu positions", n);
    double step = n > 1 ? size_m : 0;
    for (size_t i = 0; i < n; i++)
        x[i] = known ? known[i] : step * (double)(falling ? n - 1 - i : i);
    enum status st = skeleton_numbers(sk, name, 1, &n, x, "m", NAN, rep);
    free(x);
    return st;
}

enum status pixels_put(const struct description *d, const struct pixels *p, double size_x_m,
                       double size_y_m, struct skeleton *sk, struct report *rep)
{
    bool falling = d->v[IN_grid_first_row].choice == 1;
    enum status st = put_axis(d, IN_grid_pixel_size_x, "/grid/x", p->x_m, size_x_m, p->nx, false,
                              sk, rep);
    if (st == ST_OK)
        st = put_axis(d, IN_grid_pixel_size_y, "/grid/y", p->y_m, size_y_m, p->ny, falling, sk,
                      rep);
    if (st != ST_OK || !p->list || p->list->n == p->ny * p->nx) return st;
    const size_t dims[2] = {p->ny, p->nx};
    double one = 1, *present;
    st = pixels_spread(p, &one, 1, 0, &present, rep);
    if (st == ST_OK) st = skeleton_numbers(sk, "/grid/present", 2, dims, present, NULL, NAN, rep);
    free(present);
    return st;
}
