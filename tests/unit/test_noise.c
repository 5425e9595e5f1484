/* Noise of known kind: what the engine reckons against what a thousand draws show. */
#include "base/units.h"
#include "curve/curve.h"
#include "fit/noise.h"
#include "fit/walk.h"

#include <gsl/gsl_fit.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#undef fail
#include <cmocka.h>

enum { N = 320 };

/* The covariance of a random walk, less its mean, has the cosines as eigenvectors: with the matrix
 * min(i, j), which is its definition, C c = (step/(2 sin(pi j/(2n))))^2 c. */
static void cosines_are_the_axes_of_a_walk(void **unused)
{
    (void)unused;
    enum { M = 80 };
    for (int j = 1; j <= 5; j++) {
        double c[M], out[M], mean = 0, half = sin(M_PI * j / (2.0 * M)),
                             want = 0.25 / (half * half);
        for (int i = 0; i < M; i++)
            c[i] = cos(M_PI * j * (i + 0.5) / M);
        for (int a = 0; a < M; a++) {
            out[a] = 0;
            for (int b = 0; b < M; b++)
                out[a] += fmin(a, b) * c[b];
            mean += out[a] / M;
        }
        for (int a = 0; a < M; a++)
            assert_true(fabs(out[a] - mean - want * c[a]) < 1e-9 * want);
    }
}

/* 400 draws of white noise and a walk: the ratio is that of their powers, with white noise and with
 * one whose fast part is an autoregressive filter of known level. */
static void ratio_of_a_walk(void **unused)
{
    (void)unused;
    enum { DRAWS = 400 };
    const double step = 0.05, phi[] = {0.5, -0.6}, want = pow(step * N / M_PI, 2);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    double white = 0, fast = 0;
    for (int k = 0; k < DRAWS; k++) {
        double r[N], f[N], walk = 0;
        for (int i = 0; i < N; i++) {
            walk += gsl_ran_gaussian(rng, step);
            r[i] = walk + gsl_ran_gaussian(rng, 1);
            f[i] = gsl_ran_gaussian(rng, 1);
            for (int j = 0; j < 2 && j < i; j++)
                f[i] += phi[j] * f[i - 1 - j];
        }
        white += noise_walk_ratio(r, N, step, NULL, 0) / want / DRAWS;
        fast += noise_walk_ratio(f, N, step, phi, 2) / want / DRAWS;
    }
    gsl_rng_free(rng);
    assert_true(fabs(white - 1) < 0.03);
    assert_true(fabs(fast * 1 / (1.1 * 1.1) - 1) < 0.03); /* 1 - 0.5 + 0.6 */
}

/* --- drift that many curves share --- */

enum { POOLED = 256 };

/* Residuals of a line through a walk, white noise and a share of autoregressive noise, phi on the
 * two samples before. */
static void noisy_line(gsl_rng *rng, size_t n, double walk_step, const double phi[3], double *r)
{
    double walk = 0, slow = 0, before = 0, c0, c1, cov[3], chi, x[N];
    for (size_t i = 0; i < n; i++) {
        double next = phi[0] * slow + phi[1] * before + gsl_ran_gaussian(rng, 1);
        before = slow, slow = next;
        walk += gsl_ran_gaussian(rng, walk_step);
        x[i] = (double)i, r[i] = phi[2] * slow + gsl_ran_gaussian(rng, 1) + walk;
    }
    gsl_fit_linear(x, 1, r, 1, n, &c0, &c1, &cov[0], &cov[1], &cov[2], &chi);
    for (size_t i = 0; i < n; i++)
        r[i] -= c0 + c1 * x[i];
}

static struct shared_walk pool(gsl_rng *rng, double walk_step, const double phi[3])
{
    static struct walk_curve curve[POOLED];
    struct shared_walk found;
    double r[N];
    for (size_t k = 0; k < POOLED; k++) {
        size_t n = 240 + k / 4; /* baselines are not all of one length */
        noisy_line(rng, n, walk_step, phi, r);
        assert_true(walk_look(r, n, &curve[k]));
    }
    walk_find(curve, POOLED, &found);
    assert_int_equal(found.curves, POOLED);
    return found;
}

/* The mean over 20 pools; each is good to some 3 %. Three in a hundred look more like 1/f. */
static void a_shared_walk_is_found(void **unused)
{
    (void)unused;
    /* white; with a resonance of period 8 beside it, a third of the variance */
    const double steps[] = {0.03, 0.05, 0.2}, phi[2][3] = {{0, 0, 0}, {1.301, -0.8464, 0.25}};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    for (int p = 0; p < 2; p++)
        for (int s = 0; s < 3; s++) {
            double mean = 0, want = steps[s];
            int found = 0;
            for (int k = 0; k < 20; k++) {
                double step = pool(rng, want, phi[p]).step;
                if (step > 0) mean += step / want, found++;
            }
            mean /= found;
            if (!(found >= 17 && fabs(mean - 1) < 0.1))
                fail_msg("step %g, noise %d: found %d times of 20, %.3f of it", steps[s], p, found,
                         mean);
        }
    gsl_rng_free(rng);
}

/* Below 1e-3 is the chance that is stated: none in 200 pools, or the seed is unlucky. */
static void no_walk_is_found_where_none_is(void **unused)
{
    (void)unused;
    const double phi[4][3] = {{0, 0, 0}, {0.5, 0, 1}, {-0.5, 0, 1}, {1.301, -0.8464, 0.25}};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
    for (int p = 0; p < 4; p++)
        for (int k = 0; k < 50; k++)
            assert_true(pool(rng, 0, phi[p]).step == 0);
    gsl_rng_free(rng);
}

static void a_curve_without_noise_or_length_says_nothing(void **unused)
{
    (void)unused;
    struct walk_curve c, few[3] = {{0}};
    struct shared_walk found;
    double r[N] = {0};
    assert_false(walk_look(r, N, &c));
    assert_true(c.samples == 0);
    r[0] = 1;
    assert_false(walk_look(r, WALK_SHORTEST - 1, &c));
    walk_find(few, 3, &found);
    assert_true(found.step == 0 && found.curves == 0);
}

/* Levels and powers that no instrument has together: their normal equations are not positive
 * definite, which GSL by itself ends the program for. */
static void absurd_amplitudes_end_nothing(void **unused)
{
    (void)unused;
    enum { CURVES = 20, TRIALS = 200 };
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    for (int trial = 0; trial < TRIALS; trial++) {
        struct walk_curve curve[CURVES];
        struct shared_walk found;
        for (int k = 0; k < CURVES; k++) {
            curve[k].samples = 96.0 + (double)gsl_rng_uniform_int(rng, 200);
            curve[k].level = pow(10, 260 * (gsl_rng_uniform(rng) - 0.5));
            for (int i = 0; i < WALK_POWERS; i++)
                curve[k].power[i] = pow(10, 24 * gsl_rng_uniform(rng) - 12);
        }
        walk_find(curve, CURVES, &found);
        assert_false(isnan(found.step) || found.step < 0);
    }
    gsl_rng_free(rng);
}

/* --- a stated drift --- */

struct bench {
    struct recipe recipe;
    struct curve_plan plan;
    struct contact_sample sample;
};

static enum status plan_with(struct bench *b, const char *contact, struct report *rep)
{
    const enum signal_stage stages[SEG_COUNT] = {STAGE_DEFLECTION, STAGE_DEFLECTION,
                                                 STAGE_DEFLECTION};
    const bool there[SEG_COUNT] = {true, false, false};
    char text[256];
    struct lever lever;
    lever_clear(&lever);
    lever.item[LEVER_spring_constant] = (struct known){0.5, NAN, "volume"};
    lever.item[LEVER_tip_radius] = (struct known){100e-9, NAN, "volume"};
    snprintf(text, sizeof text, "contact:\n%s", contact);
    if (recipe_parse(&b->recipe, text, strlen(text), "test", rep) != ST_OK) return ST_RECIPE;
    return curve_plan_make(&b->recipe, &lever, stages, there, &b->plan, rep);
}

static void bench_free(struct bench *b)
{
    curve_plan_free(&b->plan);
    recipe_free(&b->recipe);
    units_close();
}

/* Standard deviation of (ln E - truth)/stated error over curves with white noise of 0.1 nm and a
 * walk of 5 pm a sample. */
static double spread_of_pulls(const char *contact)
{
    enum { CURVES = 300 };
    struct bench b;
    struct report rep;
    if (plan_with(&b, contact, &rep) != ST_OK) fail_msg("%s", rep.text);
    struct contact_sample sample = {2e6, NAN, 0};
    struct curve_work *work = curve_work_new(N);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    double z[N], x[N], d[N], sum = 0;
    for (int i = 0; i < N; i++)
        z[i] = 0.2e-9 * i, x[i] = z[i] - 38e-9;
    for (int k = 0; k < CURVES; k++) {
        struct raw_curve raw = {.stage = {STAGE_DEFLECTION, STAGE_DEFLECTION, STAGE_DEFLECTION}};
        struct pixel_result r;
        double walk = 0;
        contact_deflection(b.plan.model, &b.plan.setup, &sample, x, N, d);
        for (int i = 0; i < N; i++) {
            walk += gsl_ran_gaussian(rng, 5e-12);
            d[i] += walk + gsl_ran_gaussian(rng, 0.1e-9);
        }
        raw.seg[SEG_APPROACH] = (struct raw_segment){.n = N, .signal = d, .z_m = z};
        curve_analyse(&b.plan, &raw, work, &r, NULL);
        struct measured m = r.map[MAP_reduced_modulus];
        assert_true(isfinite(m.value) && m.error > 0);
        sum += pow(log(m.value / sample.reduced_modulus_pa) * m.value / m.error, 2);
    }
    gsl_rng_free(rng);
    curve_work_free(work);
    bench_free(&b);
    return sqrt(sum / CURVES);
}

/* The sample standard deviation of 300 pulls is good to 4 %. */
static void stated_drift_is_in_the_error(void **unused)
{
    (void)unused;
    double stated = spread_of_pulls("  drift: 5 pm\n"),
           not_stated = spread_of_pulls("  two_depths: no\n");
    if (!(fabs(stated - 1) < 0.15)) fail_msg("spread %g with the drift stated", stated);
    if (!(not_stated > 1.4)) fail_msg("spread %g without: the test says nothing", not_stated);
}

static void drift_that_is_not_used_is_refused(void **unused)
{
    (void)unused;
    static const char *const bad[][2] = {
        {"  drift: 5 pm\n  noise: white\n", "noise: white does not use it"},
        {"  drift: 5 pm\n  fit_space: force\n", "fit_space: force does not use it"},
        {"  drift: -5 pm\n", "cannot be negative"},
        {"  drift: 5 V\n", "contact.drift"}};
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        struct bench b;
        struct report rep;
        assert_int_equal(plan_with(&b, bad[i][0], &rep), ST_RECIPE);
        if (!strstr(rep.text, bad[i][1])) fail_msg("%s", rep.text);
        recipe_free(&b.recipe);
        units_close();
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(cosines_are_the_axes_of_a_walk),
        cmocka_unit_test(ratio_of_a_walk),
        cmocka_unit_test(a_shared_walk_is_found),
        cmocka_unit_test(no_walk_is_found_where_none_is),
        cmocka_unit_test(a_curve_without_noise_or_length_says_nothing),
        cmocka_unit_test(absurd_amplitudes_end_nothing),
        cmocka_unit_test(stated_drift_is_in_the_error),
        cmocka_unit_test(drift_that_is_not_used_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
