/* Statistics of maps where they could break: no values, one, all the same; and against known sums.
 */
#include "review/bins.h"
#include "review/blocks.h"
#include "review/lognormal.h"
#include "review/phases.h"
#include "review/robust.h"
#include "review/summary.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_sort_double.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#undef fail
#include <cmocka.h>

enum { NY = 32, NX = 40, N = NY * NX };

static void assert_near(double got, double want, double tolerance)
{
    if (!(fabs(got - want) <= tolerance)) fail_msg("got %.12g, want %.12g", got, want);
}

static void a_counted_median_is_that_of_the_repeated_values(void **unused)
{
    (void)unused;
    const double x[4] = {1, 2, 5, 9};
    const unsigned counts[][4] = {
        {1, 1, 1, 1}, {3, 0, 1, 2}, {0, 0, 0, 1}, {2, 2, 0, 0}, {1, 0, 0, 1}};
    const double want[] = {3.5, 3, 9, 1.5, 5};
    for (size_t i = 0; i < sizeof want / sizeof *want; i++) {
        size_t total = counts[i][0] + counts[i][1] + counts[i][2] + counts[i][3];
        assert_near(robust_median_counted(x, counts[i], 4, total), want[i], 0);
    }
}

/* R.B. D'Agostino and M.A. Stephens, Goodness-of-Fit Techniques, 1986, table 4.7: upper tail of the
 * modified statistic with mean and variance fitted; from memory. */
static void probabilities_of_the_goodness_test(void **unused)
{
    (void)unused;
    const double point[] = {0.470, 0.561, 0.631, 0.752, 0.873, 1.035},
                 p[] = {0.25, 0.15, 0.1, 0.05, 0.025, 0.01};
    for (size_t i = 0; i < sizeof p / sizeof *p; i++)
        assert_near(lognormal_probability(point[i]) / p[i], 1, 0.03);
    for (double a = 0.01; a < 12; a += 0.01)
        assert_true(lognormal_probability(a + 0.01) < lognormal_probability(a) + 0.002);
}

static void make_noise(double *value, unsigned long seed)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    for (size_t i = 0; i < N; i++)
        value[i] = gsl_ran_ugaussian(rng);
    gsl_rng_free(rng);
}

/* Mean of pairs of neighbours along x: correlation 1/2 at lag 1, none beyond, so the sum is 2. */
static void correlation_of_known_fields(void **unused)
{
    (void)unused;
    struct report rep = {""};
    struct correlation c;
    double noise[N], pairs[N], sum = 0;
    for (unsigned long seed = 1; seed <= 20; seed++) {
        make_noise(noise, seed);
        for (size_t i = 0; i < N; i++)
            pairs[i] = i % NX + 1 < NX ? noise[i] + noise[i + 1] : (double)NAN;
        assert_int_equal(correlation_find(NY, NX, pairs, 0, &c, &rep), ST_OK);
        assert_int_equal(c.reach_x, 2);
        assert_true(c.reach_y <= 2);
        assert_near(c.n_effective * c.inflation, N - NY, 1e-6);
        sum += c.inflation / 20;
    }
    assert_near(sum, 2, 0.1);
    for (size_t i = 0; i < N; i++)
        noise[i] = 3;
    assert_int_equal(correlation_find(NY, NX, noise, 0, &c, &rep), ST_OK);
    assert_near(c.inflation, 1, 0);
    for (size_t i = 0; i < N; i++)
        noise[i] = NAN;
    assert_int_equal(correlation_find(NY, NX, noise, 0, &c, &rep), ST_OK);
    assert_near(c.n_effective, 0, 0);
}

static void blocks_draw_what_is_chosen_evenly(void **unused)
{
    (void)unused;
    enum { DRAWS = 400, CHOSEN = N / 2 };
    struct report rep = {""};
    struct blocks *b, *again;
    size_t *index = malloc(N * sizeof *index);
    unsigned count[CHOSEN], same[CHOSEN];
    double mean[CHOSEN] = {0};
    for (size_t i = 0; i < N; i++)
        index[i] = i % 2 ? (size_t)-1 : i / 2;
    assert_int_equal(blocks_make(&b, NY, NX, 5, 7, index, CHOSEN, 3, &rep), ST_OK);
    assert_int_equal(blocks_make(&again, NY, NX, 5, 7, index, CHOSEN, 3, &rep), ST_OK);
    for (int k = 0; k < DRAWS; k++) {
        size_t total = blocks_draw(b, count), sum = 0;
        assert_int_equal(blocks_draw(again, same), total);
        assert_memory_equal(count, same, sizeof count);
        for (size_t i = 0; i < CHOSEN; i++) {
            sum += count[i];
            mean[i] += (double)count[i] / DRAWS;
        }
        assert_int_equal(sum, total);
        assert_true(total >= CHOSEN && total < CHOSEN + 5 * 7);
    }
    for (size_t i = 0; i < CHOSEN; i++)
        assert_near(mean[i], 1, 0.3); /* six standard deviations */
    blocks_free(&b);
    blocks_free(&again);
    free(index);
}

static void levels_are_wider_for_few_or_small_blocks(void **unused)
{
    (void)unused;
    const struct correlation free_pixels = {1, 1, 1, 1e6, 1, 1, 1}, few = {1, 1, 1, 16, 1, 1, 1},
                             cut = {1, 1, 1, 1e6, 1, 1, 1.5};
    assert_near(blocks_level(&free_pixels, 1000000, 0.95), 0.025, 1e-6);
    /* Student's t of 15 degrees of freedom at 0.975 is 2.1314; the normal distribution says 0.0165
     * there */
    assert_near(blocks_level(&few, 16, 0.95), 0.016527, 1e-5);
    assert_near(blocks_level(&cut, 1000000, 0.95), 0.0081857, 1e-5);
}

static void few_bins_keep_sums(void **unused)
{
    (void)unused;
    enum { MANY = 50000 };
    struct report rep = {""};
    struct bins b;
    double *x = malloc(MANY * sizeof *x), w = 0, sum = 0, want = 0;
    for (size_t i = 0; i < MANY; i++)
        want += x[i] = sqrt((double)i);
    assert_int_equal(bins_make(x, MANY, &b, &rep), ST_OK);
    assert_true(b.n <= 2050);
    for (size_t i = 0; i < b.n; i++) {
        w += b.w[i];
        sum += b.w[i] * b.x[i];
        assert_true(i == 0 || b.x[i] > b.x[i - 1]);
        assert_near((double)(b.first[i + 1] - b.first[i]), b.w[i], 0);
    }
    assert_near(w, MANY, 0);
    assert_near(sum / want, 1, 1e-12);
    bins_free(&b);
    assert_int_equal(bins_make(x, 0, &b, &rep), ST_OK);
    assert_int_equal(b.n, 0);
    bins_free(&b);
    free(x);
}

/* One normal distribution: the maximum is known. */
static void one_component_is_mean_and_spread(void **unused)
{
    (void)unused;
    const double x[4] = {1, 2, 4, 9}, w[4] = {1, 1, 1, 1};
    const struct weighted v = {x, w, 4, 4};
    struct mixture m;
    double p[MIXTURE_MOST];
    mixture_fit(&v, 1, NULL, &m);
    assert_near(m.mean[0], 4, 1e-12);
    assert_near(m.sd[0], sqrt(9.5), 1e-12);
    assert_near(m.log_likelihood, -2 * log(2 * acos(-1) * 9.5) - 2, 1e-12);
    assert_near(mixture_at(&m, 4, p), -log(2 * acos(-1) * 9.5) / 2, 1e-12);
    assert_near(p[0], 1, 0);
}

/* Planes that leave little to fit: every number comes out finite or NaN, nothing breaks. */
static void odd_planes(void **unused)
{
    (void)unused;
    struct report rep = {""};
    struct progress progress;
    double value[N], area[N];
    const struct summary_plane plane = {NY, NX, value, area};
    const struct summary_wish wish = {.draws = 20, .seed = 1, .phases = true};
    struct summary s;
    for (size_t kind = 0; kind < 8; kind++) {
        for (size_t i = 0; i < N; i++) {
            const double of_kind[8] = {NAN,
                                       i == 7 ? 5 : (double)NAN,
                                       i % 600 == 3 ? (double)i : (double)NAN,
                                       2,
                                       -1 - (double)i,
                                       i % 2 ? 1 : 1e6,
                                       i < 60 ? 1 + (double)i : -1,
                                       i == 0 ? 1e300 : 1e-300};
            value[i] = of_kind[kind];
            area[i] = 1;
        }
        progress_begin(&progress, NULL, "draws", 20);
        assert_int_equal(summary_make(&plane, &wish, &progress, &s, &rep), ST_OK);
        const size_t want[8] = {0, 1, 3, N, N, N, N, N};
        assert_int_equal(s.robust.n, want[kind]);
        /* the median of n values lies outside all of them with probability 2^(1-n): a 95 % interval
         * needs six (David and Nagaraja, Order Statistics, 2003, section 7.1) */
        if (want[kind] >= 6)
            assert_true(s.low <= s.robust.median && s.robust.median <= s.high);
        else
            assert_true(isnan(s.low) && isnan(s.high) && isnan(s.median_se));
        assert_true(!s.has_phases || (s.phases.chosen >= 1 && s.phases.chosen <= 5));
        for (int j = 0; s.has_phases && j < s.phases.chosen; j++)
            assert_true(isfinite(s.phases.fit[s.phases.chosen - 1].mean[j]) &&
                        s.phases.fraction[j] >= 0 && s.phases.fraction[j] <= 1 + 1e-9);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_counted_median_is_that_of_the_repeated_values),
        cmocka_unit_test(probabilities_of_the_goodness_test),
        cmocka_unit_test(correlation_of_known_fields),
        cmocka_unit_test(blocks_draw_what_is_chosen_evenly),
        cmocka_unit_test(levels_are_wider_for_few_or_small_blocks),
        cmocka_unit_test(few_bins_keep_sums),
        cmocka_unit_test(one_component_is_mean_and_spread),
        cmocka_unit_test(odd_planes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
