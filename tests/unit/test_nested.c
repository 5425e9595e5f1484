/* Nested medians and the rank test on numbers small enough to do by hand; the bootstrap and larger
 * tests are compared with NumPy and SciPy in tests/cli/test_study.py. */
#include "review/nested.h"

#undef fail
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
// clang-format off
#include <cmocka.h>
// clang-format on

static struct report rep;

/* cmocka's own comparison is one of floats */
static void near(double got, double wanted)
{
    assert_true(fabs(got - wanted) < 1e-12);
}

/* Sample 0: cells 1 and 3 (cell 1 is the median of 0.5, 1, 9), sample 1: one cell, 10. The pooled
 * median of the five volumes would be 3. */
static void test_levels(void **state)
{
    (void)state;
    struct nested_value v[] = {
        {0, 1, 5, 10}, {0, 0, 1, 9}, {0, 0, 2, 3}, {0, 0, 1, 0.5}, {0, 0, 1, 1}};
    struct nested_group g;
    assert_int_equal(nested_cells(v, 5), 3);
    assert_int_equal(nested_describe(v, 3, 0, 500, 1, &g, &rep), ST_OK);
    assert_int_equal(g.samples, 2);
    assert_int_equal(g.cells, 3);
    assert_true(g.median == 6); /* median of 2 and 10 */
    assert_true(g.low >= 1 && g.high <= 10 && g.low < 6 && g.high > 6);
    assert_int_equal(nested_describe(v, 3, 1, 500, 1, &g, &rep), ST_OK);
    assert_true(g.cells == 0 && isnan(g.median) && isnan(g.low));
}

/* Two of two cells of equal numbers of volumes: the mean of the two in the middle. */
static void test_even(void **state)
{
    (void)state;
    struct nested_value v[] = {{0, 0, 0, 4}, {0, 0, 0, 2}, {0, 0, 0, 8}, {0, 0, 0, 1}};
    assert_int_equal(nested_cells(v, 4), 1);
    assert_true(v[0].value == 3);
}

static void fill(struct nested_value *v, size_t a, size_t b, double shift)
{
    for (size_t i = 0; i < a + b; i++)
        v[i] = (struct nested_value){i >= a, i >= a, i, (double)i + 1 + (i >= a ? shift : 0)};
}

/* All of one group below all of the other: 2 of choose(n, m) deals are as far apart (Mann and
 * Whitney 1947, table: n = m = 4 gives 1/70 on one side). */
static void test_separate(void **state)
{
    (void)state;
    struct nested_value v[8];
    struct nested_difference d;
    fill(v, 4, 4, 0);
    assert_int_equal(nested_compare(v, 8, 0, 1, false, 200, 1, &d, &rep), ST_OK);
    near(d.p, 2.0 / 70);
    near(d.least_p, 2.0 / 70);
    assert_true(d.effect == 4 && !d.by_samples && d.n[0] == 4 && d.n[1] == 4);
    assert_int_equal(nested_compare(v, 8, 0, 1, true, 200, 1, &d, &rep), ST_OK);
    near(d.effect, 6.5 / 2.5);
}

/* Nothing but ties: every deal is as far. */
static void test_ties(void **state)
{
    (void)state;
    struct nested_value v[6];
    struct nested_difference d;
    fill(v, 3, 3, 0);
    for (int i = 0; i < 6; i++)
        v[i].value = 2;
    assert_int_equal(nested_compare(v, 6, 0, 1, true, 100, 1, &d, &rep), ST_OK);
    assert_true(d.p == 1 && d.effect == 1 && d.low == 1 && d.high == 1);
}

static void test_too_few(void **state)
{
    (void)state;
    struct nested_value v[2];
    struct nested_difference d;
    fill(v, 1, 1, 0);
    assert_int_equal(nested_compare(v, 2, 0, 1, true, 100, 1, &d, &rep), ST_OK);
    assert_true(isnan(d.low) && d.p == 1 && d.least_p == 1);
    assert_int_equal(nested_compare(v, 2, 0, 7, true, 100, 1, &d, &rep), ST_OK);
    assert_true(isnan(d.p) && isnan(d.effect));
}

/* Four samples a condition: the samples are ranked, however many cells they have. */
static void test_samples_are_ranked(void **state)
{
    (void)state;
    struct nested_value v[24];
    struct nested_difference d;
    for (size_t i = 0; i < 24; i++)
        v[i] = (struct nested_value){i / 12, i / 3, i, (double)i};
    assert_int_equal(nested_compare(v, 24, 0, 1, false, 100, 1, &d, &rep), ST_OK);
    assert_true(d.by_samples && d.n[0] == 4 && d.n[1] == 4);
    near(d.p, 2.0 / 70);
}

static void test_seed(void **state)
{
    (void)state;
    struct nested_value v[8];
    struct nested_group a, b;
    fill(v, 8, 0, 0);
    assert_int_equal(nested_describe(v, 8, 0, 300, 5, &a, &rep), ST_OK);
    assert_int_equal(nested_describe(v, 8, 0, 300, 5, &b, &rep), ST_OK);
    assert_true(a.low == b.low && a.high == b.high && a.low < a.high);
}

/* By hand from Holm's rule: sorted 0.01, 0.02, 0.03, 0.04 times 4, 3, 2, 1, never falling. */
static void test_holm(void **state)
{
    (void)state;
    double p[] = {0.04, 0.01, NAN, 0.03, 0.02};
    nested_holm(p, 5);
    const double wanted[] = {0.06, 0.04, 0, 0.06, 0.06};
    for (int i = 0; i < 5; i++)
        if (i != 2) near(p[i], wanted[i]);
    assert_true(isnan(p[2]));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_levels),   cmocka_unit_test(test_even),
        cmocka_unit_test(test_separate), cmocka_unit_test(test_ties),
        cmocka_unit_test(test_too_few),  cmocka_unit_test(test_samples_are_ranked),
        cmocka_unit_test(test_seed),     cmocka_unit_test(test_holm),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
