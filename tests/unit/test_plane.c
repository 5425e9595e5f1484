/* A plane through heights: exact, noisy, with wild points, and where there is none. */
#include "fit/plane.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#undef fail
#include <cmocka.h>

#define assert_near(a, b, tolerance) assert_true(fabs((a) - (b)) <= (tolerance))

enum { NX = 12, NY = 10, N = NX * NY };
static const double level = 3e-6, by_x = 0.03, by_y = -0.01, pitch = 0.5e-6;

/* Heights of the plane on a grid that does not begin at zero, with noise. */
static void make(double x[N], double y[N], double h[N], double noise, gsl_rng *rng)
{
    for (int i = 0; i < N; i++) {
        x[i] = 40e-6 + pitch * (i % NX);
        y[i] = -7e-6 + pitch * (i / NX);
        h[i] = level + by_x * x[i] + by_y * y[i];
        if (noise > 0) h[i] += gsl_ran_gaussian(rng, noise);
    }
}

static double true_height(double x, double y)
{
    return level + by_x * x + by_y * y;
}

static void exact(void **state)
{
    (void)state;
    double x[N], y[N], h[N];
    struct plane p;
    struct report rep;
    make(x, y, h, 0, NULL);
    assert_int_equal(plane_fit(x, y, h, N, &p, &rep), ST_OK);
    assert_int_equal(p.n, N);
    assert_near(plane_height(&p, 40e-6, -7e-6), true_height(40e-6, -7e-6), 1e-18);
    assert_near(plane_height(&p, 80e-6, 30e-6), true_height(80e-6, 30e-6), 1e-17);
    assert_near(p.c[1] / p.scale, by_x, 1e-12);
    assert_near(p.c[2] / p.scale, by_y, 1e-12);
}

/* Without wild points the bisquare estimate is 95 % efficient for Gaussian noise (P. J. Huber,
 * Robust Statistics, 1981; tuning constant 4.685), so its variances are 1/0.95 of those of ordinary
 * least squares, s^2/n and s^2/sum u^2; and its stated errors cover the truth. */
static void noise_and_wild_points(void **state)
{
    (void)state;
    enum { TRIALS = 400 };
    const double noise = 1e-9;
    for (int wild = 0; wild <= N / 8; wild += N / 8) {
        gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
        double x[N], y[N], h[N], squares = 0, stated = 0, sum = 0;
        double far_x = 40e-6 + 25 * pitch, far_y = -7e-6;
        for (int t = 0; t < TRIALS; t++) {
            struct plane p;
            struct report rep;
            make(x, y, h, noise, rng);
            for (int i = 0; i < wild; i++) /* all to one side: debris */
                h[gsl_rng_uniform_int(rng, N)] += 1e-6 * gsl_rng_uniform_pos(rng);
            assert_int_equal(plane_fit(x, y, h, N, &p, &rep), ST_OK);
            double off = plane_height(&p, far_x, far_y) - true_height(far_x, far_y);
            double u = plane_error(&p, far_x, far_y);
            sum += off / u;
            squares += off * off / (u * u);
            stated += u / TRIALS;
        }
        gsl_rng_free(rng);
        /* (found - true)/error of 400 planes: three standard errors; debris on one side pulls a bit
         */
        assert_near(sum / TRIALS, 0, wild ? 0.25 : 0.15);
        assert_near(sqrt(squares / TRIALS), 1, 0.12);
        double uu = pitch * pitch * (NX * NX - 1) / 12.0 * N;
        double vv = pitch * pitch * (NY * NY - 1) / 12.0 * N;
        double dx = (25 - (NX - 1) / 2.0) * pitch, dy = (NY - 1) / 2.0 * pitch;
        double ordinary = noise * sqrt(1.0 / N + dx * dx / uu + dy * dy / vv);
        if (!wild) assert_near(stated / ordinary, 1, 0.06);
    }
}

/* A map of one row knows one slope. */
static void one_row(void **state)
{
    (void)state;
    double x[N], y[N], h[N];
    struct plane p;
    struct report rep;
    make(x, y, h, 0, NULL);
    assert_int_equal(plane_fit(x, y, h, NX, &p, &rep), ST_OK);
    assert_near(p.c[2], 0, 0);
    assert_near(p.covariance[2][2], 0, 0);
    assert_near(plane_height(&p, 60e-6, -7e-6), true_height(60e-6, -7e-6), 1e-17);
}

static void no_plane(void **state)
{
    (void)state;
    double x[N], y[N], h[N];
    struct plane p;
    struct report rep;
    make(x, y, h, 0, NULL);
    assert_int_equal(plane_fit(x, y, h, PLANE_FEWEST - 1, &p, &rep), ST_INPUT);
    assert_non_null(strstr(rep.text, "at least 10 heights, there are 9"));
    assert_int_equal(plane_fit(x, y, h, 0, &p, &rep), ST_INPUT);
    for (int i = 0; i < N; i++)
        y[i] = 2 * x[i] + 1e-6;
    assert_int_equal(plane_fit(x, y, h, N, &p, &rep), ST_INPUT);
    assert_non_null(strstr(rep.text, "one line"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(exact),
        cmocka_unit_test(noise_and_wild_points),
        cmocka_unit_test(one_row),
        cmocka_unit_test(no_plane),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
