/* Steps along the scan: what is put in must come out, and what is no change of the tip must not.
 * Rates of false alarms and of detection are measured by tests/bench/tip_watch.c, not here. */
#include "review/breaks.h"

#undef fail
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
// clang-format off
#include <cmocka.h>
// clang-format on

enum { NY = 40, NX = 24 };
static double map[3][NY * NX];

/* Pixel noise on a tilted plane; the same every time. */
static void clean(unsigned long seed)
{
    gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(r, seed);
    for (int c = 0; c < 3; c++)
        for (size_t i = 0; i < NY * NX; i++)
            map[c][i] = 0.002 * (double)(i / NX) + gsl_ran_gaussian(r, 0.05);
    gsl_rng_free(r);
}

static struct breaks look(size_t channels, size_t ny, size_t nx)
{
    const struct break_channel c[3] = {{map[0], 1e-3}, {map[1], 1e-3}, {map[2], 1e-3}};
    struct breaks b;
    struct report rep;
    assert_int_equal(breaks_find(c, channels, ny, nx, 0.01, &b, &rep), ST_OK);
    return b;
}

static void lift(int channel, size_t from, size_t to, double by)
{
    for (size_t i = from * NX; i < to * NX; i++)
        map[channel][i] += by;
}

static void test_clean(void **state)
{
    (void)state;
    for (unsigned long seed = 1; seed <= 20; seed++) {
        clean(seed);
        struct breaks b = look(3, NY, NX);
        assert_true(b.judged);
        assert_int_equal(b.n, 0);
        assert_true(b.smallest_p > 0.01 && b.smallest_p <= 1);
    }
}

/* The interval is one of 95 %; twenty draws with the true value outside more than five times have a
 * chance of 0.03 % (binomial). */
static void test_step_comes_out(void **state)
{
    (void)state;
    int outside = 0;
    for (unsigned long seed = 1; seed <= 20; seed++) {
        clean(seed);
        lift(0, 17, NY, 0.25);
        struct breaks b = look(3, NY, NX);
        assert_int_equal(b.n, 1);
        assert_int_equal(b.at[0].line, 17);
        assert_true(b.at[0].p < 0.01 && b.at[0].p >= b.at[0].p_line);
        outside += !(b.at[0].low[0] <= 0.25 && 0.25 <= b.at[0].high[0]);
        assert_true(fabs(b.at[0].step[1]) < 0.1 && fabs(b.at[0].step[2]) < 0.1);
    }
    assert_true(outside <= 5);
}

static void test_two_steps_in_order(void **state)
{
    (void)state;
    clean(3);
    lift(0, 28, NY, 0.6);
    lift(1, 10, NY, -0.3);
    struct breaks b = look(3, NY, NX);
    assert_int_equal(b.n, 2);
    assert_int_equal(b.at[0].line, 10);
    assert_int_equal(b.at[1].line, 28);
    assert_true(b.at[0].step[1] < -0.2 && b.at[1].step[0] > 0.5);
}

/* One bad line comes back; so does a phase of the sample that fills a part of the columns. */
static void test_no_tip_change(void **state)
{
    (void)state;
    clean(4);
    lift(0, 20, 21, 2);
    assert_int_equal(look(3, NY, NX).n, 0);
    clean(4);
    for (size_t i = 20; i < NY; i++)
        for (size_t j = 0; j < NX / 3; j++)
            map[0][i * NX + j] += 2;
    assert_int_equal(look(3, NY, NX).n, 0);
    clean(4); /* a plane, however steep */
    for (size_t i = 0; i < NY; i++)
        lift(2, i, i + 1, 5 * (double)i);
    assert_int_equal(look(3, NY, NX).n, 0);
}

/* Lines without values are bridged, and belong to no side. */
static void test_lines_without_values(void **state)
{
    (void)state;
    clean(5);
    lift(0, 20, NY, 0.5);
    lift(0, 20, 22, NAN);
    struct breaks b = look(1, NY, NX);
    assert_int_equal(b.n, 1);
    assert_int_equal(b.at[0].line, 22);
    for (int c = 0; c < 3; c++)
        lift(c, 0, NY, NAN);
    b = look(3, NY, NX);
    assert_false(b.judged);
    assert_int_equal(b.n, 0);
    assert_true(isnan(b.smallest_p));
}

static void test_too_small(void **state)
{
    (void)state;
    clean(6);
    lift(0, 5, NY, 1);
    assert_false(look(3, 11, NX).judged);
    assert_false(look(3, NY, 7).judged);
    assert_false(look(3, 1, 1).judged);
}

/* Without any noise a step stands alone: as sure as numbers can say, and exact. */
static void test_no_noise(void **state)
{
    (void)state;
    for (int c = 0; c < 3; c++)
        for (size_t i = 0; i < NY * NX; i++)
            map[c][i] = c == 0 && i / NX >= 15 ? 0.125 : 0;
    struct breaks b = look(3, NY, NX);
    assert_int_equal(b.n, 1);
    assert_int_equal(b.at[0].line, 15);
    assert_true(b.at[0].step[0] == 0.125 && b.at[0].p >= 0 && b.at[0].p < 1e-6);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_clean),
        cmocka_unit_test(test_step_comes_out),
        cmocka_unit_test(test_two_steps_in_order),
        cmocka_unit_test(test_no_tip_change),
        cmocka_unit_test(test_lines_without_values),
        cmocka_unit_test(test_too_small),
        cmocka_unit_test(test_no_noise),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
