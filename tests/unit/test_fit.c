/* The engine against certified values and an independent solver. It knows nothing of microscopes
 * here. */
#include "fit/separable.h"

#include <gsl/gsl_multifit_nlinear.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

static void assert_close(double got, double want, double tolerance)
{
    if (!(fabs(got - want) <= tolerance * fabs(want))) fail_msg("got %.12g, want %.12g", got, want);
}

/* NIST Statistical Reference Datasets, nonlinear regression, Misra1a (lower difficulty):
 * y = b1 (1 - exp(-b2 x)), https://www.itl.nist.gov/div898/strd/nls/data/misra1a.shtml. Data and
 * certified values written here from memory of that page; that they belong together is tested: the
 * certified residual sum of squares must come out. b1 = exp(theta0) here, to make all of it
 * non-linear, and the constant column is not in the model. */
static const double misra_y[] = {10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02,
                                 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78};
static const double misra_x[] = {77.6,  114.9, 141.1, 190.8, 239.9, 289.0, 332.8,
                                 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0};
enum { MISRA_N = sizeof misra_y / sizeof *misra_y };

static void misra_model(const double *theta, struct fit_columns *out, void *context)
{
    (void)context;
    out->first = 0;
    double b1 = exp(theta[0]), b2 = exp(theta[1]);
    for (size_t i = 0; i < MISRA_N; i++) {
        double e = exp(-b2 * misra_x[i]);
        out->f[i] = b1 * (1 - e);
        out->jacobian[0][i] = out->f[i];
        out->jacobian[1][i] = b1 * misra_x[i] * e * b2;
    }
}

static void test_misra1a(void **unused)
{
    (void)unused;
    struct fit_problem p = {.n = MISRA_N,
                            .y = misra_y,
                            .n_theta = 2,
                            .low = {-50, -50},
                            .high = {50, 50},
                            .scale = {1, 1},
                            .model = misra_model};
    const double starts[2][2] = {{500, 0.0001}, {250, 0.0005}}; /* NIST's start 1 and 2 */
    struct fit_work *w = fit_work_new(MISRA_N);
    assert_true(fit_prepare(&p, w));
    for (int s = 0; s < 2; s++) {
        struct fit_result r;
        double start[2] = {log(starts[s][0]), log(starts[s][1])};
        fit_search(&p, w, start, &r);
        fit_finish(&p, w, &r);
        assert_true(r.converged);
        double b1 = exp(r.theta[0]), b2 = exp(r.theta[1]);
        assert_close(b1, 2.3894212918E+02, 1e-8);
        assert_close(b2, 5.5015643181E-04, 1e-8);
        assert_close(r.sum_squares, 1.2455138894E-01, 1e-8);
        assert_close(b1 * sqrt(r.covariance[0][0]), 2.7070075241E+00, 1e-6);
        assert_close(b2 * sqrt(r.covariance[1][1]), 7.2668688436E-06, 1e-6);
    }
    fit_work_free(w);
}

/* --- a separable problem against GSL's general solver with all unknowns non-linear --- */

enum { N = 200 };
struct decay {
    double x[N], y[N], ones[N];
};

static void make_decay(struct decay *d, unsigned seed)
{
    srand(seed);
    for (int i = 0; i < N; i++) {
        double noise = 0.02 * ((double)rand() / RAND_MAX - 0.5);
        d->x[i] = 0.05 * i;
        d->ones[i] = 1;
        d->y[i] = 3.0 - 0.2 * d->x[i] + exp(0.4 - 0.7 * d->x[i]) + noise;
    }
}

static void decay_model(const double *theta, struct fit_columns *out, void *context)
{
    const struct decay *d = context;
    out->first = 0;
    for (int i = 0; i < N; i++) {
        out->f[i] = exp(theta[0] - theta[1] * d->x[i]);
        out->jacobian[0][i] = out->f[i];
        out->jacobian[1][i] = -d->x[i] * out->f[i];
    }
}

static int gsl_residual(const gsl_vector *b, void *context, gsl_vector *f)
{
    const struct decay *d = context;
    for (size_t i = 0; i < N; i++)
        gsl_vector_set(f, i,
                       gsl_vector_get(b, 2) + gsl_vector_get(b, 3) * d->x[i] +
                           exp(gsl_vector_get(b, 0) - gsl_vector_get(b, 1) * d->x[i]) - d->y[i]);
    return GSL_SUCCESS;
}

/* GSL's covariance and minimum, parameters in our order. */
static void solve_with_gsl(struct decay *d, double b[4], gsl_matrix *covariance, double *cost)
{
    double start[4] = {0, 1, 2, 0};
    gsl_multifit_nlinear_fdf fdf = {.f = gsl_residual, .n = N, .p = 4, .params = d};
    gsl_multifit_nlinear_parameters parameters = gsl_multifit_nlinear_default_parameters();
    gsl_multifit_nlinear_workspace *w = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust,
                                                                   &parameters, N, 4);
    gsl_vector_view x = gsl_vector_view_array(start, 4);
    int info;
    gsl_multifit_nlinear_init(&x.vector, &fdf, w);
    assert_int_equal(gsl_multifit_nlinear_driver(500, 1e-14, 1e-14, 0, NULL, NULL, &info, w),
                     GSL_SUCCESS);
    gsl_multifit_nlinear_covar(gsl_multifit_nlinear_jac(w), 0, covariance);
    for (size_t i = 0; i < 4; i++)
        b[i] = gsl_vector_get(w->x, i);
    *cost = 0;
    for (size_t i = 0; i < N; i++)
        *cost += pow(gsl_vector_get(w->f, i), 2);
    gsl_matrix_scale(covariance, *cost / (N - 4));
    gsl_multifit_nlinear_free(w);
}

static void test_against_gsl(void **unused)
{
    (void)unused;
    static struct decay d;
    gsl_matrix *covariance = gsl_matrix_alloc(4, 4);
    struct fit_work *w = fit_work_new(N);
    for (unsigned seed = 1; seed <= 20; seed++) {
        make_decay(&d, seed);
        struct fit_problem p = {.n = N,
                                .y = d.y,
                                .n_linear = 2,
                                .linear = {d.ones, d.x},
                                .n_theta = 2,
                                .low = {-20, -20},
                                .high = {20, 20},
                                .scale = {1, 1},
                                .model = decay_model,
                                .context = &d};
        struct fit_result r;
        double start[2] = {0, 1}, b[4], cost;
        assert_true(fit_prepare(&p, w));
        fit_search(&p, w, start, &r);
        fit_finish(&p, w, &r);
        solve_with_gsl(&d, b, covariance, &cost);
        assert_true(r.converged && !r.singular);
        assert_true(r.sum_squares <= cost * (1 + 1e-12));
        for (size_t i = 0; i < 4; i++) {
            assert_close(i < 2 ? r.theta[i] : r.linear[i - 2], b[i], 1e-6);
            /* GSL's Jacobian is by differences here: 1e-5 is what its covariance is good for */
            for (size_t j = 0; j < 4; j++)
                assert_close(r.covariance[i][j], gsl_matrix_get(covariance, i, j), 1e-5);
        }
        double values[N], rest = 0;
        fit_values(&p, w, &r, values);
        for (int i = 0; i < N; i++)
            rest += pow(d.y[i] - values[i], 2);
        assert_close(rest, r.sum_squares, 1e-10);
    }
    gsl_matrix_free(covariance);
    fit_work_free(w);
}

/* GUM (JCGM 100:2008) annex H.3, calibration of a thermometer: straight line, b = y1 + y2 (t - 20
 * C). t and b of table H.6; results of H.3.3. Values from memory of the document; that data and
 * results belong together is what the test shows. The one searched parameter is the slope, made
 * non-linear as exp. */
static const double gum_t[] = {21.521, 22.012, 22.512, 23.003, 23.507, 23.999,
                               24.513, 25.002, 25.503, 26.010, 26.511};
static const double gum_b[] = {-0.171, -0.169, -0.166, -0.159, -0.164, -0.165,
                               -0.156, -0.157, -0.159, -0.161, -0.160};

static void gum_model(const double *theta, struct fit_columns *out, void *context)
{
    (void)context;
    out->first = 0;
    for (int i = 0; i < 11; i++) {
        out->f[i] = exp(theta[0]) * (gum_t[i] - 20);
        out->jacobian[0][i] = out->f[i];
    }
}

static void test_gum_h3(void **unused)
{
    (void)unused;
    double ones[11];
    for (int i = 0; i < 11; i++)
        ones[i] = 1;
    struct fit_problem p = {.n = 11,
                            .y = gum_b,
                            .n_linear = 1,
                            .linear = {ones},
                            .n_theta = 1,
                            .low = {-50},
                            .high = {10},
                            .scale = {1},
                            .model = gum_model};
    struct fit_work *w = fit_work_new(11);
    struct fit_result r;
    double start = log(0.1);
    assert_true(fit_prepare(&p, w));
    fit_search(&p, w, &start, &r);
    fit_finish(&p, w, &r);
    double slope = exp(r.theta[0]);
    assert_true(fabs(r.linear[0] - -0.1712) < 5e-5);
    assert_true(fabs(slope - 0.00218) < 5e-6);
    assert_true(fabs(sqrt(r.covariance[1][1]) - 0.0029) < 5e-5);
    assert_true(fabs(slope * sqrt(r.covariance[0][0]) - 0.00067) < 5e-6);
    double correlation = r.covariance[0][1] / sqrt(r.covariance[0][0] * r.covariance[1][1]);
    assert_true(fabs(correlation - -0.930) < 5e-4);
    assert_true(fabs(sqrt(r.sum_squares / 9) - 0.0035) < 5e-5);
    fit_work_free(w);
}

static void test_dependent_columns_are_refused(void **unused)
{
    (void)unused;
    static struct decay d;
    double twice[N];
    make_decay(&d, 1);
    for (int i = 0; i < N; i++)
        twice[i] = 2 * d.x[i];
    struct fit_problem p = {
        .n = N, .y = d.y, .n_linear = 3, .linear = {d.ones, d.x, twice}, .n_theta = 2};
    struct fit_work *w = fit_work_new(N);
    assert_false(fit_prepare(&p, w));
    p.n_linear = 2;
    assert_true(fit_prepare(&p, w));
    p.n = 4; /* as many unknowns as samples */
    assert_false(fit_prepare(&p, w));
    fit_work_free(w);
}

/* A start on a plateau (no derivative) must end, and say that it did not converge to a covariance.
 */
static void flat_model(const double *theta, struct fit_columns *out, void *context)
{
    (void)theta, (void)context;
    out->first = N;
}

static void test_plateau_ends(void **unused)
{
    (void)unused;
    static struct decay d;
    make_decay(&d, 3);
    struct fit_problem p = {.n = N,
                            .y = d.y,
                            .n_linear = 2,
                            .linear = {d.ones, d.x},
                            .n_theta = 1,
                            .low = {-1},
                            .high = {1},
                            .scale = {1},
                            .model = flat_model};
    struct fit_work *w = fit_work_new(N);
    struct fit_result r;
    double start = 0;
    assert_true(fit_prepare(&p, w));
    fit_search(&p, w, &start, &r);
    fit_finish(&p, w, &r);
    assert_false(r.converged);
    assert_true(r.singular && isnan(r.covariance[0][0]));
    fit_work_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_misra1a),      cmocka_unit_test(test_against_gsl),
        cmocka_unit_test(test_gum_h3),       cmocka_unit_test(test_dependent_columns_are_refused),
        cmocka_unit_test(test_plateau_ends),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
