#include "general_fit.h"

#include <cminpack.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Steps smaller than this, relative, end a search: E is then within 1e-6 of the minimum. */
static const double tolerance = 1e-9;
enum { MOST_STEPS = 400 };

size_t general_unknowns(const struct general_problem *p)
{
    return p->jkr ? 5 : 4;
}

/* What the model says at one sample: value, and its derivatives by x, E and w. */
struct point {
    double y, by_x, by_modulus, by_work;
};

/* y = a delta^1.5 with delta = x, or x = delta + a delta^1.5; r is the root of delta. */
static double paraboloid_root(const struct general_problem *p, double a, double x, double last)
{
    if (!p->lever) return sqrt(x);
    double r = last > 0 ? last : fmin(sqrt(x), cbrt(x / a));
    for (int i = 0; i < 50; i++) {
        double step = (r * r * (1.0 + a * r) - x) / (r * (2.0 + 3.0 * a * r));
        r -= step;
        if (fabs(step) <= 1e-8 * r) break;
    }
    return r;
}

static void paraboloid(const struct general_problem *p, const double *theta, size_t i, double *last,
                       struct point *out)
{
    double per = 4e-3 / 3.0 * sqrt(p->radius) / p->spring, a = per * theta[GENERAL_MODULUS];
    double x = p->x[i] - theta[GENERAL_CONTACT_POINT];
    *out = (struct point){0};
    if (!(x > 0)) return;
    double r = *last = paraboloid_root(p, a, x, *last), bend = 1.5 * a * r;
    double share = p->lever ? 1.0 / (1.0 + bend) : 1.0;
    out->y = a * r * r * r;
    out->by_x = bend * share;
    out->by_modulus = per * r * r * r * share;
}

/* delta = l (s^4 - 2/3 s), y = q (s^6 - s^3); x = delta, or delta + y. */
struct jkr {
    double l, q, s_end, x_end;
};

static double jkr_x(const struct general_problem *p, const struct jkr *j, double s)
{
    double s3 = s * s * s;
    return j->l * s * (s3 - 2.0 / 3.0) + (p->lever ? j->q * s3 * (s3 - 1.0) : 0.0);
}

static double jkr_x_slope(const struct general_problem *p, const struct jkr *j, double s)
{
    double s2 = s * s, s3 = s2 * s;
    return j->l * (4.0 * s3 - 2.0 / 3.0) + (p->lever ? j->q * s2 * (6.0 * s3 - 3.0) : 0.0);
}

static double jkr_x_curvature(const struct general_problem *p, const struct jkr *j, double s)
{
    double s2 = s * s;
    return 12.0 * j->l * s2 + (p->lever ? j->q * s * (30.0 * s2 * s - 6.0) : 0.0);
}

static struct jkr jkr_scales(const struct general_problem *p, const double *theta)
{
    double k = 4e-3 / 3.0 * theta[GENERAL_MODULUS], work = 1e-3 * theta[GENERAL_WORK];
    double a0 = cbrt(6.0 * M_PI * work * p->radius * p->radius / k);
    struct jkr j = {.l = a0 * a0 / p->radius, .q = 6.0 * M_PI * work * p->radius / p->spring};
    j.s_end = 0.7937005259840998; /* force minimum; the contact comes off at or left of it */
    for (int i = 0; i < 50; i++) {
        double step = jkr_x_slope(p, &j, j.s_end) / jkr_x_curvature(p, &j, j.s_end);
        j.s_end -= step;
        if (fabs(step) <= 1e-12) break;
    }
    j.x_end = jkr_x(p, &j, j.s_end);
    return j;
}

/* Newton's steps from the neighbouring sample's root; x(s) is convex right of its end. */
static double jkr_root(const struct general_problem *p, const struct jkr *j, double x, double last)
{
    double s = last > 0 ? last : 1.0;
    while (!(last > 0) && jkr_x(p, j, s) < x)
        s *= 1.3;
    for (int i = 0; i < 100; i++) {
        double step = (jkr_x(p, j, s) - x) / jkr_x_slope(p, j, s);
        s -= step;
        if (s < j->s_end) s = j->s_end + 0.5 * (s + step - j->s_end);
        if (fabs(step) <= 1e-8 * s) break;
    }
    return s;
}

static void jkr(const struct general_problem *p, const struct jkr *j, const double *theta, size_t i,
                double *last, struct point *out)
{
    double x = p->x[i] - theta[GENERAL_CONTACT_POINT], e3 = pow(j->s_end, 3);
    *out = (struct point){.y = j->q * e3 * (e3 - 1.0)};
    if (!(x > j->x_end)) return;
    double s = *last = jkr_root(p, j, x, *last), s2 = s * s, s3 = s2 * s;
    double f = s3 * (s3 - 1.0), f_s = s2 * (6.0 * s3 - 3.0), u = s * (s3 - 2.0 / 3.0);
    double u_s = 4.0 * s3 - 2.0 / 3.0, per = 1.0 / jkr_x_slope(p, j, s);
    double by_ln_l = -j->q * f_s * j->l * u * per;
    double by_ln_q = j->q * f * (p->lever ? j->l * u_s * per : 1.0);
    out->y = j->q * f;
    out->by_x = j->q * f_s * per;
    out->by_modulus = -2.0 / 3.0 * by_ln_l / theta[GENERAL_MODULUS];
    out->by_work = (2.0 / 3.0 * by_ln_l + by_ln_q) / theta[GENERAL_WORK];
}

/* Values [n], and derivatives where asked for: by[j] [n], by contact point, modulus, work. */
static void model(const struct general_problem *p, const double *theta, double *y,
                  double *const *by)
{
    size_t first = p->jkr ? p->contact : 0;
    double last = 0;
    struct point at;
    struct jkr scales = p->jkr ? jkr_scales(p, theta) : (struct jkr){0};
    for (size_t k = 0; k < p->n; k++) {
        size_t i = p->jkr ? p->n - 1 - k : k; /* JKR from deep to shallow */
        at = (struct point){0};
        if (p->jkr && i >= first) jkr(p, &scales, theta, i, &last, &at);
        if (!p->jkr) paraboloid(p, theta, i, &last, &at);
        if (y) y[i] = at.y;
        if (!by) continue;
        by[0][i] = -at.by_x;
        by[1][i] = at.by_modulus;
        if (p->jkr) by[2][i] = at.by_work;
    }
}

static void residuals(const struct general_problem *p, const double *theta, double *out)
{
    const double *linear = theta + (p->jkr ? 3 : 2);
    model(p, theta, out, NULL);
    for (size_t i = 0; i < p->n; i++)
        out[i] += linear[0] + linear[1] * p->ramp[i] - p->y[i];
}

double general_cost(const struct general_problem *p, const double *theta)
{
    double *r = malloc(p->n * sizeof *r), n = (double)p->n;
    double rr = 0, mean = 0, ramp_mean = 0, both = 0, ramps = 0;
    model(p, theta, r, NULL);
    for (size_t i = 0; i < p->n; i++)
        r[i] = p->y[i] - r[i], mean += r[i] / n, ramp_mean += p->ramp[i] / n;
    for (size_t i = 0; i < p->n; i++) {
        double a = r[i] - mean, b = p->ramp[i] - ramp_mean;
        both += a * b, ramps += b * b;
    }
    for (size_t i = 0; i < p->n; i++) {
        double left = r[i] - mean - both / ramps * (p->ramp[i] - ramp_mean);
        rr += left * left;
    }
    free(r);
    return rr;
}

void general_guess(const struct general_problem *p, const double *indent, double noise,
                   double start[GENERAL_MAX])
{
    size_t last = p->n - 1, i = last;
    memset(start, 0, GENERAL_MAX * sizeof *start);
    if (p->jkr) {
        size_t low = p->contact;
        for (i = p->contact; i < p->n; i++)
            if (p->y[i] < p->y[low]) low = i;
        for (i = low; i < last && p->y[i] < 0; i++)
            ;
        /* zero force at l/3, lowest force at -0.132 l */
        double l = fmax((indent[i] - indent[low]) / 0.46560, 1e-3), pull = -p->y[low] * p->spring;
        double work = pull / (1.5 * M_PI * p->radius), a0 = sqrt(l * p->radius);
        start[GENERAL_CONTACT_POINT] = indent[i] - l / 3.0;
        start[GENERAL_WORK] = 1e3 * work;
        start[GENERAL_MODULUS] = 750.0 * 6.0 * M_PI * work * p->radius * p->radius / pow(a0, 3);
        return;
    }
    while (i > 0 && p->y[i] > 5.0 * noise)
        i--;
    double depth = indent[last] - indent[i];
    start[GENERAL_CONTACT_POINT] = indent[i];
    start[GENERAL_MODULUS] = 750.0 * p->spring * p->y[last] / sqrt(p->radius) / pow(depth, 1.5);
}

struct general_work {
    int pivots[GENERAL_MAX];
    double *residual, *jacobian, *more;
    gsl_multifit_nlinear_workspace *gsl;
};

struct general_work *general_work_new(const struct general_problem *p)
{
    struct general_work *w = calloc(1, sizeof *w);
    gsl_multifit_nlinear_parameters how = gsl_multifit_nlinear_default_parameters();
    how.solver = gsl_multifit_nlinear_solver_cholesky; /* its quickest */
    w->residual = malloc(p->n * sizeof(double));
    w->more = malloc(p->n * sizeof(double));
    w->jacobian = malloc(GENERAL_MAX * p->n * sizeof(double));
    w->gsl = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &how, p->n,
                                        general_unknowns(p));
    return w;
}

void general_work_free(struct general_work *w)
{
    gsl_multifit_nlinear_free(w->gsl);
    free(w->residual);
    free(w->more);
    free(w->jacobian);
    free(w);
}

static void jacobian_columns(const struct general_problem *p, const double *theta, double *columns,
                             size_t height)
{
    size_t shape = general_unknowns(p) - 2;
    double *by[3] = {columns, columns + height, columns + 2 * height};
    model(p, theta, NULL, by);
    double *ones = columns + shape * height, *ramp = ones + height;
    for (size_t i = 0; i < p->n; i++)
        ones[i] = 1.0, ramp[i] = p->ramp[i];
}

static int lmder_function(void *context, int m, int n, const double *x, double *fvec, double *fjac,
                          int ldfjac, int what)
{
    const struct general_problem *p = context;
    (void)m, (void)n;
    if (what == 1) residuals(p, x, fvec);
    if (what == 2) jacobian_columns(p, x, fjac, (size_t)ldfjac);
    return 0;
}

bool general_cminpack(const struct general_problem *p, struct general_work *w, double *theta)
{
    int m = (int)p->n, n = (int)general_unknowns(p), evaluations, derivatives;
    double diag[GENERAL_MAX], qtf[GENERAL_MAX], wa[3][GENERAL_MAX];
    struct general_problem copy = *p;
    int info = lmder(lmder_function, &copy, m, n, theta, w->residual, w->jacobian, m, tolerance,
                     tolerance, 0.0, MOST_STEPS, diag, 1, 100.0, 0, &evaluations, &derivatives,
                     w->pivots, qtf, wa[0], wa[1], wa[2], w->more);
    return info >= 1 && info <= 3;
}

static int gsl_residuals(const gsl_vector *x, void *context, gsl_vector *f)
{
    residuals(context, x->data, f->data);
    return GSL_SUCCESS;
}

/* GSL stores rows: one sample after the other. */
static int gsl_jacobian(const gsl_vector *x, void *context, gsl_matrix *out)
{
    const struct general_problem *p = context;
    size_t n = general_unknowns(p);
    double columns[GENERAL_MAX * 4096];
    if (p->n > 4096) return GSL_FAILURE;
    jacobian_columns(p, x->data, columns, p->n);
    for (size_t i = 0; i < p->n; i++)
        for (size_t j = 0; j < n; j++)
            out->data[i * out->tda + j] = columns[j * p->n + i];
    return GSL_SUCCESS;
}

bool general_gsl(const struct general_problem *p, struct general_work *w, double *theta)
{
    struct general_problem copy = *p;
    size_t n = general_unknowns(p);
    int why = 0;
    gsl_multifit_nlinear_fdf f = {
        .f = gsl_residuals, .df = gsl_jacobian, .n = p->n, .p = n, .params = &copy};
    gsl_vector_view start = gsl_vector_view_array(theta, n);
    gsl_multifit_nlinear_init(&start.vector, &f, w->gsl);
    int status = gsl_multifit_nlinear_driver(MOST_STEPS, tolerance, 0.0, 0.0, NULL, NULL, &why,
                                             w->gsl);
    memcpy(theta, w->gsl->x->data, n * sizeof *theta);
    return status == GSL_SUCCESS;
}
