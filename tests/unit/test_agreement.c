/* Agreement of two methods against the worked example of its paper; the criteria against hand
 * numbers and a likelihood summed up by GSL. */
#include "review/agreement.h"
#include "review/criterion.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

/* J. M. Bland, D. G. Altman, Lancet 327 (1986) 307: first readings of peak expiratory flow rate,
 * l/min, of 17 subjects by a large and a mini meter. The data are from memory; they give what the
 * paper prints: mean difference -2.1, standard deviation 38.8, standard error 9.4, limits (of two
 * standard deviations) -79.7 and 75.5, standard error of these 16.3. */
enum { SUBJECTS = 17 };
static const double large[SUBJECTS] = {494, 395, 516, 434, 476, 557, 413, 442, 650,
                                       433, 417, 656, 267, 478, 178, 423, 427};
static const double mini[SUBJECTS] = {512, 430, 520, 428, 500, 600, 364, 380, 658,
                                      445, 432, 626, 260, 477, 259, 350, 451};

static void test_paper(void **state)
{
    struct agreement g;
    (void)state;
    agreement_of(mini, large, NULL, SUBJECTS, false, &g); /* the paper's difference: large - mini */
    assert_int_equal(g.n, SUBJECTS);
    assert_true(fabs(g.bias - -2.1) < 0.05);
    assert_true(fabs(g.spread - 38.8) < 0.05);
    assert_true(fabs(g.bias_u - 9.4) < 0.05);
    assert_true(fabs(g.limit_u - 16.3) < 0.05);
    assert_true(fabs(g.bias + 2 * g.spread - 75.5) < 0.1);
    assert_true(fabs(g.low - (g.bias - 1.96 * g.spread)) < 1e-12);
    /* the paper: r = 0.94, which says nothing of agreement */
    assert_true(fabs(g.correlation - 0.94) < 0.005);
    assert_true(fabs(g.correlation - gsl_stats_correlation(mini, 1, large, 1, SUBJECTS)) < 1e-12);
}

static void test_logarithms(void **state)
{
    double a[SUBJECTS], b[SUBJECTS];
    struct agreement g;
    (void)state;
    for (int i = 0; i < SUBJECTS; i++) {
        a[i] = large[i];
        b[i] = 3 * large[i];
    }
    agreement_of(a, b, NULL, SUBJECTS, true, &g);
    assert_true(fabs(exp(g.bias) - 3) < 1e-12);
    assert_true(g.spread < 1e-12);
    a[4] = 0;
    b[5] = -1;
    agreement_of(a, b, NULL, SUBJECTS, true, &g);
    assert_int_equal(g.n, SUBJECTS - 2);
}

static void test_what_is_left_out(void **state)
{
    const double a[4] = {1, NAN, 3, 4}, b[4] = {2, 2, INFINITY, 6};
    const bool use[4] = {true, true, true, false};
    struct agreement g;
    (void)state;
    agreement_of(a, b, NULL, 4, false, &g);
    assert_int_equal(g.n, 2);
    assert_true(fabs(g.bias - 1.5) < 1e-15);
    agreement_of(a, b, use, 4, false, &g);
    assert_int_equal(g.n, 1);
    assert_true(fabs(g.bias - 1) < 1e-15);
    assert_true(isnan(g.spread) && isnan(g.low) && isnan(g.correlation));
    agreement_of(a, b, use, 0, false, &g);
    assert_true(g.n == 0 && isnan(g.bias));
}

static void test_beyond(void **state)
{
    const double a[4] = {0, 0, 0, 0}, b[4] = {4.9, 5.1, -10.1, 99}, ua[4] = {3, 3, 3, 3},
                 ub[4] = {4, 4, 4, NAN}; /* joint: 5 */
    size_t counted;
    (void)state;
    assert_int_equal(agreement_beyond(a, ua, b, ub, NULL, 4, 1, &counted), 2);
    assert_int_equal(counted, 3);
    assert_int_equal(agreement_beyond(a, ua, b, ub, NULL, 4, 2, &counted), 1);
}

/* By hand: n 10, variance 2, four numbers with the variance: 10 ln 2 + 8 + 2*4*5/5 and 10 ln 2 + 4
 * ln 10. */
static void test_criteria_by_hand(void **state)
{
    (void)state;
    assert_true(fabs(criterion_aicc(2, 10, 3) - 22.931471805599453) < 1e-12);
    assert_true(fabs(criterion_bic(2, 10, 3) - 16.141812177575637) < 1e-12);
    assert_true(isnan(criterion_aicc(2, 5, 3)) && isnan(criterion_bic(2, 5, 3)));
    assert_true(isnan(criterion_aicc(0, 10, 3)) && isnan(criterion_bic(NAN, 10, 3)));
}

/* -2 ln(likelihood) summed up sample by sample: the same but for n (1 + ln 2 pi), which any two
 * models of these samples share. */
static void test_criteria_are_likelihoods(void **state)
{
    const double rest[2][8] = {{0.3, -1.2, 0.7, 0.1, -0.4, 0.9, -0.2, -0.2},
                               {0.5, -1.5, 0.2, 0.4, -0.9, 1.1, 0.1, -0.3}};
    double by_likelihood[2], here[2];
    (void)state;
    for (int m = 0; m < 2; m++) {
        double variance = 0, sum = 0;
        for (int i = 0; i < 8; i++)
            variance += rest[m][i] * rest[m][i] / 8;
        for (int i = 0; i < 8; i++)
            sum -= 2 * log(gsl_ran_gaussian_pdf(rest[m][i], sqrt(variance)));
        by_likelihood[m] = sum + (m + 2) * log(8);
        here[m] = criterion_bic(variance, 8, m + 1);
    }
    assert_true(fabs((here[1] - here[0]) - (by_likelihood[1] - by_likelihood[0])) < 1e-12);
}

static void test_table(void **state)
{
    const double d[8] = {-11, -10.5, -3, 0, 1.9, 2.5, 10, NAN};
    double scratch[8];
    struct criterion_table t;
    (void)state;
    criterion_count(d, 8, scratch, &t);
    assert_int_equal(t.n, 7);
    assert_int_equal(t.band[CRITERION_b_clearly], 2);
    assert_int_equal(t.band[CRITERION_b_rather], 1);
    assert_int_equal(t.band[CRITERION_neither], 2);
    assert_int_equal(t.band[CRITERION_a_rather], 1);
    assert_int_equal(t.band[CRITERION_a_clearly], 1);
    assert_true(t.median == 0 && fabs(t.sum - -10.1) < 1e-12);
    criterion_count(d + 7, 1, scratch, &t);
    assert_true(t.n == 0 && isnan(t.median));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_paper),
        cmocka_unit_test(test_logarithms),
        cmocka_unit_test(test_what_is_left_out),
        cmocka_unit_test(test_beyond),
        cmocka_unit_test(test_criteria_by_hand),
        cmocka_unit_test(test_criteria_are_likelihoods),
        cmocka_unit_test(test_table),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
