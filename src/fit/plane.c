#include "fit/plane.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit.h>
#include <math.h>

static void terms(const struct plane *p, double x, double y, double out[3])
{
    out[0] = 1.0;
    out[1] = (x - p->x0) / p->scale;
    out[2] = (y - p->y0) / p->scale;
}

double plane_height(const struct plane *p, double x, double y)
{
    double t[3];
    terms(p, x, y, t);
    return p->c[0] * t[0] + p->c[1] * t[1] + p->c[2] * t[2];
}

double plane_error(const struct plane *p, double x, double y)
{
    double t[3], sum = 0;
    terms(p, x, y, t);
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++)
            sum += t[i] * p->covariance[i][j] * t[j];
    return sqrt(sum);
}

/* Middle and extent of the positions; which terms they can tell apart: column[k] of the fit is term
 * which[k]. @return number of columns, 0 when the positions lie on an oblique line */
static size_t choose_terms(const double *x, const double *y, size_t n, struct plane *p,
                           size_t which[3])
{
    double xx = 0, yy = 0, xy = 0;
    for (size_t i = 0; i < n; i++)
        p->x0 += x[i] / (double)n, p->y0 += y[i] / (double)n;
    for (size_t i = 0; i < n; i++) {
        double u = x[i] - p->x0, v = y[i] - p->y0;
        xx += u * u, yy += v * v, xy += u * v;
    }
    p->scale = xx + yy > 0 ? sqrt((xx + yy) / (double)n) : 1.0;
    const double rounding = 1e-18 * (double)n * (p->x0 * p->x0 + p->y0 * p->y0);
    size_t columns = 1;
    which[0] = 0;
    if (xx > rounding) which[columns++] = 1;
    if (yy > rounding) which[columns++] = 2;
    return columns == 3 && xx * yy - xy * xy < 1e-9 * xx * yy ? 0 : columns;
}

struct bench {
    gsl_matrix *design, *covariance;
    gsl_vector *height, *c;
    gsl_multifit_robust_workspace *work;
};

static int bench_make(struct bench *b, size_t n, size_t columns)
{
    enum { PATIENCE = 1000 };
    b->design = gsl_matrix_alloc(n, columns);
    b->covariance = gsl_matrix_alloc(columns, columns);
    b->height = gsl_vector_alloc(n);
    b->c = gsl_vector_alloc(columns);
    b->work = gsl_multifit_robust_alloc(gsl_multifit_robust_bisquare, n, columns);
    if (b->work) gsl_multifit_robust_maxiter(PATIENCE, b->work);
    return b->design && b->covariance && b->height && b->c && b->work;
}

static void bench_free(struct bench *b)
{
    gsl_matrix_free(b->design);
    gsl_matrix_free(b->covariance);
    gsl_vector_free(b->height);
    gsl_vector_free(b->c);
    if (b->work) gsl_multifit_robust_free(b->work);
}

static enum status solve(struct bench *b, const double *x, const double *y, const double *height,
                         size_t columns, const size_t which[3], struct plane *out,
                         struct report *rep)
{
    for (size_t i = 0; i < out->n; i++) {
        double t[3];
        terms(out, x[i], y[i], t);
        for (size_t k = 0; k < columns; k++)
            gsl_matrix_set(b->design, i, k, t[which[k]]);
        gsl_vector_set(b->height, i, height[i]);
    }
    if (gsl_multifit_robust(b->design, b->height, b->c, b->covariance, b->work) != GSL_SUCCESS)
        return fail(rep, ST_INPUT, "no plane settles among %zu heights: too many are wild", out->n);
    gsl_multifit_robust_stats stats = gsl_multifit_robust_statistics(b->work);
    /* its covariance takes in the ordinary residuals, which a few wild points make fifty times too
     * large */
    double robust = stats.sigma > 0 ? pow(stats.sigma_rob / stats.sigma, 2) : 1.0;
    out->scatter = stats.sigma_rob;
    for (size_t k = 0; k < columns; k++) {
        out->c[which[k]] = gsl_vector_get(b->c, k);
        for (size_t l = 0; l < columns; l++)
            out->covariance[which[k]][which[l]] = robust * gsl_matrix_get(b->covariance, k, l);
    }
    return ST_OK;
}

enum status plane_fit(const double *x, const double *y, const double *height, size_t n,
                      struct plane *out, struct report *rep)
{
    struct bench b = {0};
    size_t which[3], columns;
    *out = (struct plane){.n = n, .scale = 1.0};
    if (n < PLANE_FEWEST)
        return fail(rep, ST_INPUT, "a plane needs at least %d heights, there are %zu", PLANE_FEWEST,
                    n);
    columns = choose_terms(x, y, n, out, which);
    if (columns == 0)
        return fail(rep, ST_INPUT,
                    "the %zu heights lie on one line across the grid: they cannot "
                    "tell how a plane is tilted",
                    n);
    gsl_error_handler_t *before = gsl_set_error_handler_off();
    enum status st = bench_make(&b, n, columns)
                         ? solve(&b, x, y, height, columns, which, out, rep)
                         : fail(rep, ST_MEMORY, "not enough memory for a plane of %zu heights", n);
    bench_free(&b);
    gsl_set_error_handler(before);
    return st;
}
