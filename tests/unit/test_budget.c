/* The uncertainty of a whole map: closed forms, the published rule of combination, correlated
 * inputs, and a case where the linear law fails. */
#include "base/units.h"
#include "curve/budget.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { N = 512, DRAWS = 2000 };

/* A noiseless curve in volts (or ready deflections, or forces), and what is known of its making. */
struct bench {
    struct recipe recipe;
    struct lever lever;
    struct curve_plan plan;
    struct budget budget;
    struct budget_job job;
    struct raw_curve raw;
    double z[2][N], signal[2][N];
};

static void know(struct bench *b, enum lever_item item, double value, double relative_u)
{
    b->lever.item[item] = (struct known){value, relative_u * fabs(value), "volume"};
}

static double value_of(const struct bench *b, enum lever_item item)
{
    return b->lever.item[item].value;
}

static struct bench *bench_new(const char *yaml)
{
    struct report rep;
    struct bench *b = calloc(1, sizeof *b);
    assert_non_null(b);
    if (recipe_parse(&b->recipe, yaml, strlen(yaml), "test", &rep) != ST_OK)
        fail_msg("%s", rep.text);
    lever_clear(&b->lever);
    know(b, LEVER_deflection_sensitivity, 50e-9, 0.01);
    know(b, LEVER_spring_constant, 0.5, 0.01);
    know(b, LEVER_tip_radius, 100e-9, 0.01);
    know(b, LEVER_poisson_ratio, 0.4, 0.01);
    b->job.work = curve_work_new(N);
    assert_non_null(b->job.work);
    return b;
}

static void bench_free(struct bench *b)
{
    curve_work_free(b->job.work);
    recipe_free(&b->recipe);
    free(b);
    units_close();
}

static void make_plan(struct bench *b, enum signal_stage stage, bool retract)
{
    struct report rep;
    const enum signal_stage stages[SEG_COUNT] = {stage, stage, stage};
    const bool there[SEG_COUNT] = {true, false, retract};
    if (curve_plan_make(&b->recipe, &b->lever, stages, there, &b->plan, &rep) != ST_OK)
        fail_msg("%s", rep.text);
    for (int s = 0; s < SEG_COUNT; s++)
        b->raw.stage[s] = stage;
    b->job.plan = &b->plan;
    b->job.curve = &b->raw;
}

/* Sample of reduced modulus e pressed until the driven displacement past contact is x_max; as much
 * again off the surface. @param retract  model of the retract, NULL = there is none */
static void make_curve(struct bench *b, enum signal_stage stage, double e, double work,
                       double x_max, const struct contact_model *retract)
{
    make_plan(b, stage, retract != NULL);
    struct contact_sample sample = {e, work, 0};
    double k = value_of(b, LEVER_spring_constant);
    double volts = stage == STAGE_DETECTOR ? 1 / value_of(b, LEVER_deflection_sensitivity) : 1.0;
    for (int s = 0; s < 2; s++) {
        const struct contact_model *m = s ? retract : b->plan.model;
        double x[N], d[N];
        if (!m) continue;
        for (int i = 0; i < N; i++) {
            b->z[s][i] = 2 * x_max * (s ? N - 1 - i : i) / (N - 1);
            x[i] = b->z[s][i] - x_max;
        }
        contact_deflection(m, &b->plan.setup, &sample, x, N, d);
        for (int i = 0; i < N; i++)
            b->signal[s][i] = stage == STAGE_FORCE ? k * d[i] : volts * d[i];
        b->raw.seg[s ? SEG_RETRACT : SEG_APPROACH] = (struct raw_segment){
            .n = N, .signal = b->signal[s], .z_m = b->z[s]};
    }
}

/* The same for a paraboloid, by the stiffness ratio at the end: F = A delta^1.5, kc = 1.5 A
 * sqrt(delta). */
static void make_paraboloid(struct bench *b, enum signal_stage stage, double e, double ratio)
{
    double k = value_of(b, LEVER_spring_constant), r = value_of(b, LEVER_tip_radius);
    double a = 4.0 / 3.0 * e * sqrt(r), delta = pow(ratio * k / (1.5 * a), 2);
    make_curve(b, stage, e, NAN, delta + a * pow(delta, 1.5) / k, NULL);
}

static void run(struct bench *b)
{
    struct report rep;
    if (budget_make(&b->job, &b->budget, &rep) != ST_OK) fail_msg("%s", rep.text);
}

/* Without draws. */
static void combine(struct bench *b)
{
    struct report rep;
    assert_int_equal(budget_linear(&b->job, &b->budget, &rep), ST_OK);
}

static size_t find(const struct bench *b, enum lever_item item)
{
    size_t i = 0;
    while (i < b->budget.n && b->budget.input[i].item != item)
        i++;
    return i;
}

static double coefficient(const struct bench *b, enum budget_id id, enum lever_item item)
{
    size_t i = find(b, item);
    return i < b->budget.n ? b->budget.result[id].coefficient[i] : 0.0;
}

static void assert_near(double got, double want, double tolerance)
{
    if (!(fabs(got - want) <= tolerance))
        fail_msg("got %.9g, want %.9g +- %.2g", got, want, tolerance);
}

static double share_sum(const struct bench *b, enum budget_id id)
{
    double sum = 0;
    for (size_t i = 0; i < b->budget.n; i++)
        if (isfinite(b->budget.result[id].share[i])) sum += b->budget.result[id].share[i];
    return sum;
}

/* E when the sensitivity is `by` times as large, over E; -1 */
static double change_by_sensitivity(struct bench *b, double by)
{
    struct report rep;
    double x[LEVER_COUNT], ratio[BUDGET_COUNT];
    assert_int_equal(budget_linear(&b->job, &b->budget, &rep), ST_OK);
    for (size_t i = 0; i < b->budget.n; i++)
        x[i] = b->budget.input[i].value;
    x[find(b, LEVER_deflection_sensitivity)] *= by;
    assert_int_equal(budget_at(&b->job, &b->budget, x, ratio, &rep), ST_OK);
    return ratio[BUDGET_modulus] - 1;
}

/* --- closed forms --- */

static void test_paraboloid(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.002);
    combine(b);
    double nu = 0.4;
    assert_true(b->budget.result[BUDGET_modulus].there);
    assert_false(b->budget.result[BUDGET_adhesion].there);
    assert_false(b->budget.result[BUDGET_work_of_adhesion].there);
    assert_int_equal(b->budget.n, 4);
    assert_near(b->budget.result[BUDGET_modulus].value / (2e6 * (1 - nu * nu)), 1, 1e-6);
    assert_near(coefficient(b, BUDGET_modulus, LEVER_tip_radius), -0.5, 1e-9);
    assert_near(coefficient(b, BUDGET_modulus, LEVER_spring_constant), 1, 1e-9);
    assert_near(coefficient(b, BUDGET_modulus, LEVER_poisson_ratio), -2 * nu / (1 - nu * nu), 1e-4);
    /* soft: all the travel is indentation, so E goes with the deflection */
    assert_near(coefficient(b, BUDGET_modulus, LEVER_deflection_sensitivity), 1, 0.005);
    assert_true(b->budget.result[BUDGET_modulus].complete);
    assert_near(share_sum(b, BUDGET_modulus), 1, 1e-12);
    bench_free(b);
}

static void test_angles(void **unused)
{
    (void)unused;
    const enum lever_item items[] = {LEVER_tip_half_angle, LEVER_tip_face_angle};
    const char *recipes[] = {"contact:\n  model: cone\n", "contact:\n  model: pyramid\n"};
    for (int i = 0; i < 2; i++) {
        struct bench *b = bench_new(recipes[i]);
        double angle = 20 * M_PI / 180;
        know(b, items[i], angle, 0.005);
        make_curve(b, STAGE_DETECTOR, 5e3, NAN, 500e-9, NULL);
        combine(b);
        size_t at = find(b, items[i]);
        /* E ~ 1/tan(a): -1/(sin a cos a) = -2/sin(2a), 5.4 % a degree at 20 degrees */
        assert_near(coefficient(b, BUDGET_modulus, items[i]), -2 / sin(2 * angle), 1e-3);
        assert_near(b->budget.result[BUDGET_modulus].contribution[at],
                    2 / sin(2 * angle) * 0.005 * angle, 1e-6);
        assert_int_equal(find(b, LEVER_tip_radius), b->budget.n); /* no part of this model */
        bench_free(b);
    }
}

static void test_tilt_and_tip(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("calibration:\n  tilt_correction: cosine_squared\n");
    double tilt = 0.2;
    know(b, LEVER_tilt, tilt, 0.02);
    know(b, LEVER_tip_modulus, 10e6, 0.01);
    know(b, LEVER_tip_poisson_ratio, 0.3, 0);
    make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.05);
    combine(b);
    double share = 2e6 * (1 - 0.3 * 0.3) / 10e6, reduced = 1 / (1 - share);
    assert_near(coefficient(b, BUDGET_modulus, LEVER_tip_modulus), -share * reduced, 1e-4);
    /* E* ~ 1/cos^2, and E ~ E* to the power 1/(1 - share) */
    assert_near(coefficient(b, BUDGET_modulus, LEVER_tilt), 2 * tan(tilt) * reduced, 1e-4);
    bench_free(b);
    b = bench_new("{}"); /* not corrected for: the tilt does not matter */
    know(b, LEVER_tilt, tilt, 0.02);
    make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.05);
    combine(b);
    assert_int_equal(find(b, LEVER_tilt), b->budget.n);
    bench_free(b);
}

/* d ln f/d t of the factors of calibration/tilt.h by hand, r = D/L:
 *   Heim    2 tan t + 2 r/(cos^2 t (1 - 2 r tan t)), by ln r 2 r tan t/(1 - 2 r tan t)
 *   Hutter  (2 sin t + 3 r cos t)/(cos t - 1.5 r sin t), by ln r 3 r sin t/(cos t - 1.5 r sin t) */
static void test_tilt_with_tip_height(void **unused)
{
    (void)unused;
    static const char *const recipes[] = {"calibration:\n  tilt_correction: heim\n",
                                          "calibration:\n  tilt_correction: hutter\n"};
    double t = 0.2, r = 0.1, root = cos(t) - 1.5 * r * sin(t), rest = 1 - 2 * r * tan(t);
    double by_tilt[] = {2 * tan(t) + 2 * r / (cos(t) * cos(t) * rest),
                        (2 * sin(t) + 3 * r * cos(t)) / root};
    double by_height[] = {2 * r * tan(t) / rest, 3 * r * sin(t) / root};
    for (int i = 0; i < 2; i++) {
        struct bench *b = bench_new(recipes[i]);
        know(b, LEVER_tilt, t, 0.02);
        know(b, LEVER_tip_height, 12e-6, 0.01);
        know(b, LEVER_lever_length, 120e-6, 0.01);
        make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.05);
        combine(b);
        assert_near(coefficient(b, BUDGET_modulus, LEVER_tilt), by_tilt[i], 2e-4);
        assert_near(coefficient(b, BUDGET_modulus, LEVER_tip_height), by_height[i], 1e-4);
        assert_near(coefficient(b, BUDGET_modulus, LEVER_lever_length), -by_height[i], 1e-4);
        bench_free(b);
    }
}

/* F = E* sqrt(R) f(delta, sqrt(R)/h): h and sqrt(R) both larger by the same factor leave all but
 * the scale, so the coefficients obey 2 c_R + c_h = -1. Here a changed nu asks for another layer
 * function, which the budget must make and free. */
static void test_layer(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("contact:\n  model: layer_sphere\n");
    know(b, LEVER_sample_thickness, 400e-9, 0.001);
    know(b, LEVER_tip_radius, 100e-9, 0.001);
    make_curve(b, STAGE_DETECTOR, 2e6, NAN, 50e-9, NULL);
    combine(b);
    double by_h = coefficient(b, BUDGET_modulus, LEVER_sample_thickness);
    assert_true(by_h > 0.05); /* thinner feels stiffer: more E for the same curve if thicker */
    assert_near(2 * coefficient(b, BUDGET_modulus, LEVER_tip_radius) + by_h, -1, 1e-5);
    assert_true(coefficient(b, BUDGET_modulus, LEVER_poisson_ratio) < 0);
    /* the same thickness, brought by the pixel */
    b->plan.lever.thickness_by_pixel = true;
    b->plan.lever.item[LEVER_sample_thickness].value = NAN;
    b->raw.thickness_m = 400e-9;
    combine(b);
    assert_near(coefficient(b, BUDGET_modulus, LEVER_sample_thickness), by_h, 1e-9);
    assert_near(b->budget.input[find(b, LEVER_sample_thickness)].value, 400e-9, 1e-15);
    curve_plan_free(&b->plan);
    bench_free(b);
}

/* Work of adhesion from the pull-off force, and from the fitted JKR model: w ~ k/R for given
 * deflections in both. */
static void test_adhesion(void **unused)
{
    (void)unused;
    const char *recipes[] = {"adhesion:\n  work_from: dmt\n", "contact:\n  model: jkr\n"};
    for (int i = 0; i < 2; i++) {
        struct bench *b = bench_new(recipes[i]);
        make_curve(b, STAGE_DETECTOR, 2e6, 0.004, 40e-9, &contact_jkr);
        combine(b);
        assert_near(coefficient(b, BUDGET_adhesion, LEVER_spring_constant), 1, 1e-6);
        assert_near(coefficient(b, BUDGET_adhesion, LEVER_deflection_sensitivity), 1, 1e-3);
        assert_near(coefficient(b, BUDGET_adhesion, LEVER_tip_radius), 0, 1e-6);
        assert_near(coefficient(b, BUDGET_adhesion, LEVER_poisson_ratio), 0, 0);
        assert_near(coefficient(b, BUDGET_work_of_adhesion, LEVER_spring_constant), 1, 1e-6);
        assert_near(coefficient(b, BUDGET_work_of_adhesion, LEVER_tip_radius), -1, 1e-6);
        assert_near(coefficient(b, BUDGET_modulus, LEVER_tip_radius), -0.5, 1e-6);
        assert_near(b->budget.result[BUDGET_adhesion].combined, hypot(0.01, 0.01), 1e-5);
        bench_free(b);
    }
}

/* Data that were volts, deflections or forces when they were stored err alike. */
static void test_stages(void **unused)
{
    (void)unused;
    const enum signal_stage stages[] = {STAGE_DETECTOR, STAGE_DEFLECTION, STAGE_FORCE};
    double of_s[3], of_k[3];
    for (int i = 0; i < 3; i++) {
        struct bench *b = bench_new("{}");
        make_paraboloid(b, stages[i], 2e6, 1.4);
        combine(b);
        of_s[i] = coefficient(b, BUDGET_modulus, LEVER_deflection_sensitivity);
        of_k[i] = coefficient(b, BUDGET_modulus, LEVER_spring_constant);
        bench_free(b);
    }
    for (int i = 1; i < 3; i++) {
        assert_near(of_s[i], of_s[0], 1e-6);
        assert_near(of_k[i], of_k[0], 1e-6);
    }
}

/* --- correlated inputs --- */

/* +1 % in s, least squares of force on indentation, at a stiffness ratio that stands for itself
 * rounded: numbers worked out apart from this code must lie between the ends of that interval. */
static void test_sensitivity_and_spring(void **unused)
{
    (void)unused;
    const struct {
        double low, high, independent, thermal, half, half_thermal;
    } rows[] = {{0.035, 0.045, 1.05, -0.95, 0.005, 0.005},
                {0.15, 0.25, 1.2, -0.8, 0.05, 0.05},
                {0.55, 0.65, 1.8, -0.25, 0.05, 0.005},
                {1.35, 1.45, 2.7, 0.6, 0.05, 0.05},
                {4.5, 5.5, 7, 5, 0.5, 0.5},
                {13.5, 14.5, 21, 19, 0.5, 0.5}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        for (int thermal = 0; thermal < 2; thermal++) {
            double change[2], want = thermal ? rows[i].thermal : rows[i].independent;
            double half = thermal ? rows[i].half_thermal : rows[i].half;
            for (int end = 0; end < 2; end++) {
                struct bench *b = bench_new(thermal
                                                ? "calibration:\n  spring_constant_from: thermal\n"
                                                  "contact:\n  fit_space: force\n"
                                                : "contact:\n  fit_space: force\n");
                make_paraboloid(b, STAGE_DETECTOR, 2e6, end ? rows[i].high : rows[i].low);
                change[end] = 100 * change_by_sensitivity(b, 1.01);
                bench_free(b);
            }
            if (!(change[0] - half <= want && want <= change[1] + half))
                fail_msg("kc/k %g to %g: %g to %g %%, want %g +- %g", rows[i].low, rows[i].high,
                         change[0], change[1], want, half);
        }
}

/* A fit of deflection against z leans less on the sensitivity than one of force on indentation. */
static void test_fit_spaces(void **unused)
{
    (void)unused;
    const double ratios[] = {0.04, 1.4, 14}, most[] = {1e-3, 0.1, 2.5};
    for (int i = 0; i < 3; i++) {
        double change[2];
        for (int force = 0; force < 2; force++) {
            struct bench *b = bench_new(force ? "contact:\n  fit_space: force\n" : "{}");
            make_paraboloid(b, STAGE_DETECTOR, 2e6, ratios[i]);
            change[force] = 100 * change_by_sensitivity(b, 1.01);
            bench_free(b);
        }
        assert_true(change[0] < change[1]);
        assert_near(change[0], change[1], most[i]);
    }
}

/* k ~ s^-2 and E ~ k, so the coefficients differ by two. */
static void test_thermal(void **unused)
{
    (void)unused;
    double of_s[2], of_k[2], spread[2];
    for (int thermal = 0; thermal < 2; thermal++) {
        struct bench *b = bench_new(thermal ? "calibration:\n  spring_constant_from: thermal\n"
                                            : "{}");
        make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.18);
        run(b);
        of_s[thermal] = coefficient(b, BUDGET_modulus, LEVER_deflection_sensitivity);
        of_k[thermal] = coefficient(b, BUDGET_modulus, LEVER_spring_constant);
        spread[thermal] = b->budget.result[BUDGET_modulus].spread;
        assert_near(spread[thermal] / b->budget.result[BUDGET_modulus].combined, 1, 0.08);
        bench_free(b);
    }
    assert_near(of_s[1], of_s[0] - 2, 1e-6);
    assert_near(of_k[1], of_k[0], 1e-9);
    assert_true(spread[1] < spread[0]); /* the errors of s and k cancel in part */
}

/* --- what is stated and what is not --- */

static void test_nominal(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("calibration:\n  spring_constant_from: nominal\n");
    b->lever.item[LEVER_spring_constant].u = NAN;
    make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.04);
    combine(b);
    size_t k = find(b, LEVER_spring_constant), order[LEVER_COUNT];
    assert_int_equal(b->budget.input[k].u_is, KNOWLEDGE_assumed);
    assert_near(b->budget.input[k].u, 0.1, 1e-12);
    assert_near(b->budget.result[BUDGET_modulus].contribution[k], 0.2, 1e-9);
    assert_true(b->budget.result[BUDGET_modulus].complete);
    assert_true(budget_order(&b->budget, BUDGET_modulus, order) == 4 && order[0] == k);
    bench_free(b);
    b = bench_new("calibration:\n  spring_constant_from: nominal\n"); /* stated: believed */
    make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.04);
    combine(b);
    assert_int_equal(b->budget.input[find(b, LEVER_spring_constant)].u_is, KNOWLEDGE_stated);
    bench_free(b);
}

static void test_not_stated(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    b->lever.item[LEVER_tip_radius].u = NAN;
    b->lever.item[LEVER_deflection_sensitivity] = (struct known){NAN, NAN, ""};
    make_paraboloid(b, STAGE_DEFLECTION, 2e6, 0.04);
    run(b);
    const struct budget_result *r = &b->budget.result[BUDGET_modulus];
    size_t radius = find(b, LEVER_tip_radius), s = find(b, LEVER_deflection_sensitivity);
    assert_false(r->complete);
    assert_true(isnan(r->contribution[radius]) && isnan(r->share[radius]));
    assert_near(r->coefficient[radius], -0.5, 1e-9);
    /* nothing is known of how the deflection was made, but what it would do is */
    assert_true(s < b->budget.n && isnan(b->budget.input[s].value) && isnan(r->contribution[s]));
    assert_near(r->coefficient[s], 1.046, 0.001);
    assert_near(share_sum(b, BUDGET_modulus), 1, 1e-12);
    assert_true(r->draws == DRAWS && !r->differs);
    bench_free(b);
}

static void test_nothing_known_or_nothing_there(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    for (int i = 0; i < LEVER_COUNT; i++)
        b->lever.item[i].u = NAN;
    make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.04);
    run(b);
    const struct budget_result *r = &b->budget.result[BUDGET_modulus];
    assert_true(r->there && !r->complete && r->combined == 0 && r->draws == 0 && isnan(r->spread));
    memset(b->signal, 0, sizeof b->signal); /* no contact */
    run(b);
    for (int q = 0; q < BUDGET_COUNT; q++)
        assert_false(b->budget.result[q].there);
    assert_int_equal(b->budget.n, 0);
    bench_free(b);
}

/* JCGM 100:2008, H.1 (end gauge; table H.1, from memory): 25, 9.7, 2.9 and 16.6 nm make 32 nm. */
static void test_end_gauge(void **unused)
{
    (void)unused;
    /* length of the standard; comparison; difference of expansion coefficients; of temperatures */
    const struct budget_input input[] = {{.u = 25e-9}, {.u = 9.7e-9}, {.u = 0.58e-6}, {.u = 0.029}};
    struct budget_result r = {.coefficient = {1, 1, -50.000623e-3 * -0.1, -50.000623e-3 * 11.5e-6}};
    budget_combine(input, 4, &r);
    assert_near(r.contribution[2], 2.9e-9, 0.05e-9);
    assert_near(r.contribution[3], 16.6e-9, 0.1e-9);
    assert_near(r.combined, 32e-9, 0.5e-9);
    assert_near(r.share[0], 625.0 / 1002.0, 0.005);
    assert_true(r.complete);
}

/* --- Monte Carlo --- */

static void test_linear_case(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.04);
    run(b);
    const struct budget_result *r = &b->budget.result[BUDGET_modulus];
    assert_int_equal(r->draws, DRAWS);
    assert_near(r->spread / r->combined, 1, 0.06); /* four times 1/sqrt(2 n) */
    assert_near(r->mean, 1, 4 * r->combined / sqrt(DRAWS) + r->combined * r->combined);
    assert_near((r->high - r->low) / (2 * 1.96 * r->combined), 1, 0.1);
    assert_false(r->differs);
    bench_free(b);
}

static void test_not_linear_case(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    know(b, LEVER_deflection_sensitivity, 50e-9, 0.15);
    make_paraboloid(b, STAGE_DETECTOR, 2e6, 5);
    run(b);
    const struct budget_result *r = &b->budget.result[BUDGET_modulus];
    assert_true(r->differs);
    assert_true(r->high - 1 > 2 * (1 - r->low)); /* lopsided, which the linear law cannot say */
    bench_free(b);
}

/* A Poisson's ratio above 0.5 cannot be: it is drawn again, so E is never below its value. */
static void test_impossible_draws(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    for (int i = 0; i < LEVER_COUNT; i++)
        b->lever.item[i].u = 0;
    b->lever.item[LEVER_poisson_ratio] = (struct known){0.5, 0.05, "recipe"};
    make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.04);
    run(b);
    const struct budget_result *r = &b->budget.result[BUDGET_modulus];
    double below = 0.45; /* one u to the possible side */
    assert_near(coefficient(b, BUDGET_modulus, LEVER_poisson_ratio),
                log(0.75 / (1 - below * below)) / 0.05, 1e-9);
    assert_int_equal(r->draws, DRAWS);
    assert_true(r->low >= 1 && r->mean > 1 && r->differs);
    bench_free(b);
}

static void test_same_every_time(void **unused)
{
    (void)unused;
    struct report rep;
    static double alone[DRAWS][BUDGET_COUNT], shared[DRAWS][BUDGET_COUNT];
    struct bench *b = bench_new("{}");
    make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.6);
    run(b);
    const struct budget_result first = b->budget.result[BUDGET_modulus];
    run(b);
    assert_true(first.spread == b->budget.result[BUDGET_modulus].spread);
    assert_true(first.low == b->budget.result[BUDGET_modulus].low);
    assert_true(first.combined == b->budget.result[BUDGET_modulus].combined);
    /* however many share the draws */
    assert_int_equal(budget_draw(&b->job, &b->budget, 0, 1, alone, &rep), ST_OK);
    for (size_t i = 0; i < 3; i++)
        assert_int_equal(budget_draw(&b->job, &b->budget, i, 3, shared, &rep), ST_OK);
    for (int i = 0; i < DRAWS; i++)
        assert_true(alone[i][BUDGET_modulus] == shared[i][BUDGET_modulus]);
    assert_true(alone[0][BUDGET_modulus] != alone[1][BUDGET_modulus]);
    bench_free(b);
}

static void test_without_draws(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("calibration:\n  monte_carlo_draws: 0\n");
    make_paraboloid(b, STAGE_DETECTOR, 2e6, 0.6);
    run(b);
    const struct budget_result *r = &b->budget.result[BUDGET_modulus];
    assert_true(r->combined > 0 && r->draws == 0 && isnan(r->spread) && !r->differs);
    bench_free(b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_paraboloid),
        cmocka_unit_test(test_angles),
        cmocka_unit_test(test_tilt_and_tip),
        cmocka_unit_test(test_tilt_with_tip_height),
        cmocka_unit_test(test_layer),
        cmocka_unit_test(test_adhesion),
        cmocka_unit_test(test_stages),
        cmocka_unit_test(test_sensitivity_and_spring),
        cmocka_unit_test(test_fit_spaces),
        cmocka_unit_test(test_thermal),
        cmocka_unit_test(test_nominal),
        cmocka_unit_test(test_not_stated),
        cmocka_unit_test(test_nothing_known_or_nothing_there),
        cmocka_unit_test(test_end_gauge),
        cmocka_unit_test(test_linear_case),
        cmocka_unit_test(test_not_linear_case),
        cmocka_unit_test(test_impossible_draws),
        cmocka_unit_test(test_same_every_time),
        cmocka_unit_test(test_without_draws),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
