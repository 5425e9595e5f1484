/* Loops over samples against their definitions, written out in long double, for every length that
 * leaves another rest; the median and the end of the baseline against GSL. */
#include "curve/curve_private.h"
#include "curve/passes.h"
#include "fit/noise.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#undef fail
#include <cmocka.h>
#include <gsl/gsl_multifit.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <string.h>

enum { MOST = 75 };

static gsl_rng *rng;

static void fill(double *v, size_t n)
{
    for (size_t i = 0; i < n; i++)
        v[i] = gsl_ran_gaussian(rng, 1.0);
}

static void assert_close(double is, long double should, double scale)
{
    if (!(fabs(is - (double)should) <= 1e-14 * scale))
        fail_msg("%.17g instead of %.17Lg", is, should);
}

static void test_extremes_and_median(void **state)
{
    (void)state;
    double v[MOST], copy[MOST], low, high;
    for (size_t n = 1; n < MOST; n++)
        for (int times = 0; times < 20; times++) {
            fill(v, n);
            if (times % 2) /* with equal ones */
                for (size_t i = 0; i < n; i++)
                    v[i] = floor(2 * v[i]);
            memcpy(copy, v, sizeof copy);
            pass_range(v, n, &low, &high);
            assert_true(low == gsl_stats_min(v, 1, n) && high == gsl_stats_max(v, 1, n));
            assert_true(pass_median(v, n) == gsl_stats_median(copy, 1, n));
        }
}

static void test_taking_over(void **state)
{
    (void)state;
    double v[MOST], out[MOST], low, high;
    for (size_t n = 1; n < MOST; n++)
        for (int backward = 0; backward < 2; backward++) {
            fill(v, n);
            assert_true(pass_take(v, n, 1.5, backward, out, &low, &high));
            for (size_t i = 0; i < n; i++)
                assert_true(out[i] == 1.5 * v[backward ? n - 1 - i : i]);
            assert_true(low == gsl_stats_min(out, 1, n) && high == gsl_stats_max(out, 1, n));
            size_t at = gsl_rng_uniform_int(rng, n);
            for (size_t i = 0; i < n; i++)
                v[i] = 3.0 + (double)(backward ? n - i : i);
            assert_true(pass_take_ascending(v, n, backward, out));
            for (size_t i = 0; i < n; i++)
                assert_true(out[i] == v[backward ? n - 1 - i : i]);
            if (n > 1) { /* one that is too high or too low for its place */
                double was = v[at];
                v[at] += (at == 0) == !backward ? 2.5 : -2.5;
                assert_false(pass_take_ascending(v, n, backward, out));
                v[at] = was;
            }
            const double wrong[] = {NAN, INFINITY, -INFINITY};
            for (int k = 0; k < 3; k++) {
                v[at] = wrong[k];
                assert_false(pass_take(v, n, 1.5, backward, out, &low, &high));
                assert_false(pass_take_ascending(v, n, backward, out));
            }
        }
}

static void test_bends(void **state)
{
    (void)state;
    double v[MOST], squares[MOST];
    for (size_t n = 3; n < MOST; n++)
        for (size_t block = 1; block <= 17; block++) {
            long double sum = 0, largest = 0;
            fill(v, n);
            double most = pass_bends(v, n, block, squares);
            for (size_t i = 0; i + 2 < n; i++) {
                long double bend = (long double)v[i] - 2.0L * v[i + 1] + v[i + 2];
                sum += bend * bend;
                largest = fmaxl(largest, fabsl(bend));
                if ((i + 1) % block == 0) {
                    assert_close(squares[i / block], sum, 50);
                    sum = 0;
                }
            }
            assert_close(most, largest, 10);
            for (size_t from = 1; from < n; from += block) {
                double limit = 5.0 * gsl_rng_uniform(rng);
                size_t i = from;
                while (i + 1 < n && !(fabs(v[i - 1] - 2.0 * v[i] + v[i + 1]) > limit))
                    i++;
                assert_true(pass_first_bend(v, from, n, limit) == (i > n - 1 ? n - 1 : i));
            }
        }
}

static void test_flattening(void **state)
{
    (void)state;
    double z[MOST], d[MOST], flat[MOST], force[MOST];
    for (size_t n = 1; n < MOST; n++) {
        fill(z, n), fill(d, n);
        double lowest = pass_flatten(z, d, n, 0.3, -0.7, 0.2, 0.4, flat, force);
        for (size_t i = 0; i < n; i++) {
            assert_close(flat[i], d[i] - 0.3L + 0.7L * (z[i] - 0.2L), 10);
            assert_true(force[i] == 0.4 * flat[i]);
        }
        assert_true(lowest == gsl_stats_min(flat, 1, n));
    }
}

static void test_lines_of_blocks(void **state)
{
    (void)state;
    double z[4 * 20], d[4 * 20];
    fill(z, 80), fill(d, 80);
    for (size_t block = 1; block <= 19; block++) {
        struct pass_lines all;
        pass_lines(z, d, 3, block, 0.1, 0.2, &all);
        for (size_t q = 0; q < LANES; q++) {
            size_t from = 3 + q * block;
            struct pass_line one = pass_line(z, d, from, from + block, 0.1, 0.2);
            long double zd = 0, zz = 0;
            for (size_t i = from; i < from + block; i++) {
                zd += (z[i] - 0.1L) * (d[i] - 0.2L);
                zz += (z[i] - 0.1L) * (z[i] - 0.1L);
            }
            assert_close(all.zd[q], zd, 100), assert_close(one.zd, zd, 100);
            assert_close(all.zz[q], zz, 100), assert_close(one.zz, zz, 100);
            assert_close(all.z[q], one.z, 100), assert_close(all.d[q], one.d, 100);
            assert_close(all.dd[q], one.dd, 100);
        }
    }
}

static void test_looking_for_a_sample(void **state)
{
    (void)state;
    double v[MOST];
    for (size_t n = 1; n < MOST; n++)
        for (int times = 0; times < 30; times++) {
            size_t from = gsl_rng_uniform_int(rng, n), i;
            double level = times % 3 - 1.0;
            for (i = 0; i < n; i++) /* long stretches, and values on the level */
                v[i] = i % 23 ? (times & 4 ? 2.0 : -2.0) : floor(gsl_ran_gaussian(rng, 2.0));
            for (i = from; i < n && !(v[i] > level);)
                i++;
            assert_true(pass_first_above(v, from, n, level) == i);
            for (i = from; i < n && v[i] > level;)
                i++;
            assert_true(pass_first_not_above(v, from, n, level) == i);
            for (i = from; i < n && v[i] < level;)
                i++;
            assert_true(pass_first_not_below(v, from, n, level) == i);
            for (i = n; i > from && v[i - 1] > level;)
                i--;
            assert_true(pass_only_above(v, from, n, level) == i);
            for (i = n; i > from && v[i - 1] < level;)
                i--;
            assert_true(pass_only_below(v, from, n, level) == i);
        }
}

/* The trapezoidal rule by itself, cut cells included, cell by cell. */
static long double area(const double *z, const double *f, size_t n, double low, double high)
{
    long double sum = 0;
    for (size_t i = 0; i + 1 < n; i++) {
        long double a = z[i], b = z[i + 1], from = fmaxl(a, low), to = fminl(b, high);
        if (!(b > a) || !(to > from)) continue;
        long double slope = (f[i + 1] - (long double)f[i]) / (b - a);
        sum += (to - from) * (f[i] + slope * (0.5L * (from + to) - a));
    }
    return sum;
}

static void test_areas(void **state)
{
    (void)state;
    double z[MOST], f[MOST], d[MOST], squares;
    for (size_t n = 1; n < MOST; n++)
        for (int times = 0; times < 30; times++) {
            fill(f, n), fill(d, n);
            for (size_t i = 0; i < n; i++) /* in order, running back a little, and much */
                z[i] = (double)i + (times % 3) * (times % 3) * gsl_ran_gaussian(rng, 0.7);
            double low = 1.2 * (double)n * gsl_rng_uniform(rng) - 2.0;
            double high = low + (double)n * gsl_rng_uniform(rng);
            assert_close(pass_area(z, f, n, low, high), area(z, f, n, low, high), 100 * (double)n);
            long double wells = 0, sum = 0;
            size_t from = gsl_rng_uniform_int(rng, n), to = n - 1 > from ? n - 1 : from;
            for (size_t i = from; i < to; i++) {
                long double step = ((long double)z[i + 1] - d[i + 1]) - ((long double)z[i] - d[i]);
                wells -= fminl((long double)f[i] + f[i + 1], 0) * step / 2;
                sum += step * step;
            }
            assert_close(pass_wells(z, d, f, from, to, &squares), wells, 100 * (double)n);
            assert_close(squares, sum, 1000 * (double)n);
        }
}

static void test_autocovariance(void **state)
{
    (void)state;
    double r[MOST], c[NOISE_LAGS + 2];
    for (size_t n = 1; n < MOST; n++)
        for (size_t lags = 0; lags <= NOISE_LAGS; lags++) {
            fill(r, n);
            c[lags + 1] = 7.0;
            noise_autocovariance(r, n, lags, c);
            for (size_t l = 0; l <= lags; l++) {
                long double sum = 0;
                for (size_t i = 0; i + l < n; i++)
                    sum += (long double)r[i] * r[i + l];
                assert_close(c[l], sum / n, 10);
            }
            assert_true(c[lags + 1] == 7.0);
        }
}

/* Sum of squares that a polynomial leaves, by GSL's singular values. */
static double rest(const double *z, const double *d, size_t n, size_t terms)
{
    gsl_matrix *x = gsl_matrix_alloc(n, terms), *cov = gsl_matrix_alloc(terms, terms);
    gsl_vector *y = gsl_vector_alloc(n), *c = gsl_vector_alloc(terms);
    gsl_multifit_linear_workspace *w = gsl_multifit_linear_alloc(n, terms);
    double left, middle = 0.5 * (z[0] + z[n - 1]), half = z[n - 1] - middle;
    for (size_t i = 0; i < n; i++) {
        gsl_vector_set(y, i, d[i]);
        for (size_t k = 0; k < terms; k++)
            gsl_matrix_set(x, i, k, gsl_pow_int((z[i] - middle) / half, (int)k));
    }
    gsl_multifit_linear(x, y, c, cov, &left, w);
    gsl_multifit_linear_free(w);
    gsl_vector_free(y), gsl_vector_free(c);
    gsl_matrix_free(x), gsl_matrix_free(cov);
    return left;
}

/* Curves that leave the line so gently that blocks do not see it: the end is where line and cubic
 * together leave least. */
static void test_change_point(void **state)
{
    (void)state;
    enum { N = 512, CURVES = 30, BLOCK = N / 64, FIRST = N / 12 };
    struct curve_work *w = curve_work_new(N);
    struct curve_plan plan = {.baseline_order = 1, .setup.spring_n_per_m = 1.0};
    struct lane *lane = &w->lane[0];
    int ended = 0;
    for (int curve = 0; curve < CURVES; curve++) {
        double contact = 150.0 + 100.0 * gsl_rng_uniform(rng);
        double steep = curve % 3 ? 4e-8 + 2e-8 * gsl_rng_uniform(rng) : 0.0;
        double z[N], d[N], least = INFINITY;
        struct raw_curve raw = {.stage = {STAGE_DEFLECTION}};
        for (int i = 0; i < N; i++) {
            z[i] = i * 1e-9;
            d[i] = 1e-9 * (gsl_ran_gaussian(rng, 1.0) + steep * pow(fmax(i - contact, 0), 3));
        }
        raw.seg[SEG_APPROACH] = (struct raw_segment){.n = N, .signal = d, .z_m = z};
        lane_fill(&plan, &raw, SEG_APPROACH, lane);
        lane_find_rough_noise(lane, w->scratch);
        lane_find_baseline(&plan, lane);
        size_t best = N;
        for (size_t i = FIRST; i + 8 < N; i += BLOCK) {
            double line = rest(z, d, i, 2) * (double)i / ((double)i - 2.0);
            double cost = line + rest(z + i, d + i, N - i, 4);
            if (cost < least) least = cost, best = i;
        }
        double whole = rest(z, d, N, 2) * N / (N - 2.0);
        if (!(whole - least > 30.0 * lane->rough_noise * lane->rough_noise)) best = N;
        assert_int_equal(lane->found_end, best);
        ended += best < N;
    }
    assert_in_range(ended, 10, 20);
    curve_work_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_extremes_and_median),
        cmocka_unit_test(test_taking_over),
        cmocka_unit_test(test_bends),
        cmocka_unit_test(test_flattening),
        cmocka_unit_test(test_lines_of_blocks),
        cmocka_unit_test(test_looking_for_a_sample),
        cmocka_unit_test(test_areas),
        cmocka_unit_test(test_autocovariance),
        cmocka_unit_test(test_change_point),
    };
    rng = gsl_rng_alloc(gsl_rng_mt19937);
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    gsl_rng_free(rng);
    return failed;
}
