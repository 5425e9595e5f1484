/* One pixel's journey on curves of known truth: baseline, contact point, ranges, reasons to reject.
 */
#include "base/units.h"
#include "curve/curve_private.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#undef fail
#include <cmocka.h>

#include "table.h"

enum { N = 600 };

/* A sample, a lever, and what the detector would say. Lengths in metres. */
struct bench {
    struct recipe recipe;
    struct curve_plan plan;
    struct curve_work *work;
    double k, radius, modulus, work_adhesion; /* N/m, m, E* in Pa, J/m2 */
    double z0, z_end, offset, slope, noise, gap;
    double z[2][N], d[2][N];
    struct raw_curve raw;
    struct pixel_result result;
    struct curve_trace trace;
};

static void set_key(struct bench *b, const char *yaml)
{
    struct report rep;
    recipe_free(&b->recipe);
    if (recipe_parse(&b->recipe, yaml, strlen(yaml), "test", &rep) != ST_OK)
        fail_msg("%s", rep.text);
}

static void plan_bench(struct bench *b)
{
    struct report rep;
    struct lever lever;
    const enum signal_stage stages[SEG_COUNT] = {STAGE_DEFLECTION, STAGE_DEFLECTION,
                                                 STAGE_DEFLECTION};
    const bool there[SEG_COUNT] = {true, false, true};
    lever_clear(&lever);
    lever.item[LEVER_spring_constant] = (struct known){b->k, NAN, "volume"};
    lever.item[LEVER_tip_radius] = (struct known){b->radius, NAN, "volume"};
    if (curve_plan_make(&b->recipe, &lever, stages, there, &b->plan, &rep) != ST_OK)
        fail_msg("%s", rep.text);
}

static struct bench *bench_new(const char *yaml)
{
    struct bench *b = calloc(1, sizeof *b);
    struct report rep;
    *b = (struct bench){.k = 0.5,
                        .radius = 150e-9,
                        .modulus = 3e6,
                        .work_adhesion = 0.004,
                        .z0 = 300e-9,
                        .z_end = 345e-9,
                        .offset = 7e-9,
                        .slope = 0.004,
                        .noise = 0.05e-9};
    assert_int_equal(recipe_default(&b->recipe, &rep), ST_OK);
    set_key(b, yaml);
    b->work = curve_work_new(N);
    assert_non_null(b->work);
    return b;
}

static void bench_free(struct bench *b)
{
    curve_plan_free(&b->plan);
    curve_work_free(b->work);
    recipe_free(&b->recipe);
    free(b);
    units_close();
}

static double gauss(void)
{
    double u = (rand() + 1.0) / (RAND_MAX + 2.0), v = (rand() + 1.0) / (RAND_MAX + 2.0);
    return sqrt(-2 * log(u)) * cos(2 * M_PI * v);
}

/* Approach by the paraboloid, retract by JKR, each in the order of time. */
static void make_curves(struct bench *b)
{
    struct contact_setup s = {.spring_n_per_m = b->k, .radius_m = b->radius};
    struct contact_sample sample = {b->modulus, b->work_adhesion, 0};
    for (int seg = 0; seg < 2; seg++) {
        double x[N], d[N];
        for (int i = 0; i < N; i++) {
            b->z[seg][i] = b->z_end * (seg ? N - 1 - i : i) / (N - 1);
            x[i] = b->z[seg][i] - b->z0;
        }
        contact_deflection(seg ? &contact_jkr : &contact_paraboloid, &s, &sample, x, N, d);
        for (int i = 0; i < N; i++)
            b->d[seg][i] = d[i] + b->offset + b->slope * b->z[seg][i] + b->noise * gauss() -
                           (seg ? b->gap : 0);
    }
    b->raw = (struct raw_curve){.stage = {STAGE_DEFLECTION, STAGE_DEFLECTION, STAGE_DEFLECTION}};
    b->raw.seg[SEG_APPROACH] = (struct raw_segment){.n = N, .signal = b->d[0], .z_m = b->z[0]};
    b->raw.seg[SEG_RETRACT] = (struct raw_segment){.n = N, .signal = b->d[1], .z_m = b->z[1]};
}

static void analyse_bench(struct bench *b)
{
    plan_bench(b);
    curve_analyse(&b->plan, &b->raw, b->work, &b->result, &b->trace);
}

static void run_bench(struct bench *b)
{
    make_curves(b);
    analyse_bench(b);
}

static double value(const struct bench *b, enum map_id id)
{
    return b->result.map[id].value;
}

static void assert_within(double got, double want, double tolerance)
{
    if (!(fabs(got - want) <= tolerance))
        fail_msg("got %.9g, want %.9g +- %.2g", got, want, tolerance);
}

static void assert_flags(const struct bench *b, uint64_t want)
{
    if (b->result.flags != want)
        fail_msg("flags %#llx, want %#llx", (unsigned long long)b->result.flags,
                 (unsigned long long)want);
}

static void test_clean_curve(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    b->noise = 0;
    run_bench(b);
    assert_flags(b, 0);
    assert_int_equal(b->result.state, STATE_accepted);
    assert_within(value(b, MAP_reduced_modulus) / b->modulus, 1, 1e-9);
    assert_within(value(b, MAP_modulus) / (0.75 * b->modulus), 1, 1e-9);
    assert_within(value(b, MAP_contact_point), b->z0, 1e-17);
    assert_within(value(b, MAP_contact_height), -b->z0, 1e-17);
    assert_within(value(b, MAP_baseline_slope), b->slope, 1e-10);
    assert_within(value(b, MAP_setpoint_height),
                  value(b, MAP_contact_height) - value(b, MAP_indentation), 1e-13);
    assert_within(value(b, MAP_baseline_gap), 0, 1e-15);
    assert_true(value(b, MAP_dissipated_energy) > 0);
    bench_free(b);
}

/* Adhesion of JKR on retract, work of adhesion by both relations, energy under the curve. */
static void test_adhesion_maps(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{adhesion: {work_from: jkr}}");
    b->noise = 0;
    b->k = 0.02; /* soft: pull-off is load-controlled, the minimum is 1.5 pi w R */
    b->z_end = 700e-9;
    run_bench(b);
    double pull_off = 1.5 * M_PI * b->work_adhesion * b->radius;
    double step = b->k * b->z_end / (N - 1); /* the sharp minimum falls between two samples */
    assert_within(value(b, MAP_adhesion), pull_off - 0.5 * step, 0.5 * step);
    assert_within(value(b, MAP_work_of_adhesion), b->work_adhesion,
                  step / (1.5 * M_PI * b->radius));
    assert_true(value(b, MAP_adhesion_energy) > 0.5 * pull_off * pull_off / b->k * 0.9);
    bench_free(b);
}

static void test_stated_error_covers_scatter(void **unused)
{
    (void)unused;
    srand(5);
    struct bench *b = bench_new("{}");
    double sum = 0, square = 0;
    enum { TRIALS = 400 };
    for (int i = 0; i < TRIALS; i++) {
        run_bench(b);
        double z = (value(b, MAP_reduced_modulus) - b->modulus) /
                   b->result.map[MAP_reduced_modulus].error;
        sum += z, square += z * z;
    }
    assert_within(sum / TRIALS, 0, 0.2);
    assert_within(sqrt(square / TRIALS), 1, 0.15);
    bench_free(b);
}

/* A fifth of the ramp is off the surface, and the retract sticks. */
static void test_short_baseline_with_adhesion(void **unused)
{
    (void)unused;
    srand(6);
    struct bench *b = bench_new("{}");
    b->z0 = 70e-9, b->z_end = 115e-9, b->work_adhesion = 0.02;
    run_bench(b);
    assert_int_equal(b->result.state, STATE_accepted);
    assert_within(value(b, MAP_reduced_modulus), b->modulus,
                  4 * b->result.map[MAP_reduced_modulus].error);
    assert_within(value(b, MAP_contact_point), b->z0, 4 * b->result.map[MAP_contact_point].error);
    bench_free(b);
}

static void test_range_of_the_fit(void **unused)
{
    (void)unused;
    const char *recipes[] = {"{contact: {to: 50 %}}", "{contact: {from: 20 %, to: 90 %}}",
                             "{contact: {to: 2 nN}}", "{contact: {to: 10 nm}}",
                             "{contact: {from: 3 nm, to: 12 nm}}"};
    double used[5];
    for (int i = 0; i < 5; i++) {
        struct bench *b = bench_new(recipes[i]);
        b->noise = 0;
        run_bench(b);
        assert_within(value(b, MAP_reduced_modulus) / b->modulus, 1, 1e-7);
        used[i] = value(b, MAP_samples_used);
        assert_true(used[i] < N - 10);
        bench_free(b);
    }
    assert_true(used[4] < used[3] + 40);
}

static void test_force_space(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{contact: {fit_space: force}}");
    b->noise = 0;
    run_bench(b);
    assert_within(value(b, MAP_reduced_modulus) / b->modulus, 1, 1e-6);
    b->k = 0.01; /* contact much stiffer than the lever: must say that it is biased */
    b->z_end = 900e-9;
    run_bench(b);
    assert_true(b->result.flags & FLAG(biased_fit));
    assert_int_equal(b->result.state, STATE_doubtful);
    bench_free(b);
}

static void test_retract_models(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{contact: {model: jkr}}");
    b->noise = 0;
    run_bench(b);
    assert_within(value(b, MAP_reduced_modulus) / b->modulus, 1, 1e-8);
    assert_within(value(b, MAP_work_of_adhesion) / b->work_adhesion, 1, 1e-8);
    b->work_adhesion = 0; /* nothing sticks: no JKR fit without a pull-off */
    b->noise = 0.05e-9;
    for (int i = 0; i < N; i++)
        b->d[1][i] = b->d[0][N - 1 - i];
    analyse_bench(b);
    assert_true(b->result.flags & FLAG(no_adhesion_to_fit));
    assert_true(isnan(value(b, MAP_modulus)));
    assert_int_equal(b->result.state, STATE_rejected);
    bench_free(b);
}

static void test_drag_splits_the_baselines(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    b->gap = 2e-9;
    run_bench(b);
    assert_within(value(b, MAP_baseline_gap), b->k * b->gap,
                  5 * b->result.map[MAP_baseline_gap].error);
    bench_free(b);
}

static void test_reasons_to_reject(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    run_bench(b);
    assert_flags(b, 0);
    b->raw.absent = true;
    analyse_bench(b);
    assert_int_equal(b->result.state, STATE_absent);
    make_curves(b);
    b->raw.seg[SEG_APPROACH].clipped = 3;
    analyse_bench(b);
    assert_flags(b, FLAG(saturated));
    make_curves(b);
    b->raw.seg[SEG_APPROACH].n = 20;
    analyse_bench(b);
    assert_true(b->result.flags & FLAG(too_few_samples));
    make_curves(b);
    for (int i = 0; i < 3; i++)
        b->d[0][100 * i + 5] = NAN;
    analyse_bench(b);
    assert_flags(b, FLAG(samples_missing));
    for (int i = 0; i < 60; i++)
        b->d[0][i] = NAN;
    analyse_bench(b);
    assert_true(b->result.flags & FLAG(too_few_samples));
    make_curves(b);
    for (int i = 300; i < 350; i++)
        b->z[0][i] -= 60e-9;
    analyse_bench(b);
    assert_flags(b, FLAG(z_not_monotonic));
    make_curves(b);
    b->raw.seg[SEG_RETRACT].n = 0;
    analyse_bench(b);
    assert_flags(b, FLAG(no_retract));
    assert_int_equal(b->result.state, STATE_accepted);
    bench_free(b);
}

static void test_no_contact(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    b->z0 = 1e-6;
    run_bench(b);
    assert_true(b->result.flags & FLAG(no_contact));
    assert_true(isnan(value(b, MAP_modulus)));
    bench_free(b);
}

static void test_limits(void **unused)
{
    (void)unused;
    const struct {
        const char *yaml;
        uint64_t flag;
    } rows[] = {{"{limits: {modulus_high: 1 MPa}}", FLAG(implausible)},
                {"{limits: {modulus_low: 1 GPa}}", FLAG(implausible)},
                {"{limits: {depth_to_radius: 0.01}}", FLAG(outside_model)},
                {"{limits: {stiffness_ratio_high: 0.01}}", FLAG(stiffness_ratio)},
                {"{limits: {stiffness_ratio_low: 90}}", FLAG(stiffness_ratio)},
                {"{limits: {force_noise: 1 pN}}", FLAG(noisy_baseline)},
                {"{limits: {baseline_slope: 0.001}}", FLAG(sloped_baseline)},
                {"{limits: {peak_force: 1 uN}}", FLAG(peak_too_low)},
                {"{limits: {residual: 0.001 %}}", FLAG(large_residual)},
                {"{limits: {depth_to_uncertainty: 10000}}", FLAG(too_shallow)},
                {"{baseline: {shortest: 90 %}}", FLAG(no_baseline)}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct bench *b = bench_new(rows[i].yaml);
        run_bench(b);
        assert_flags(b, rows[i].flag);
        assert_true(value(b, MAP_modulus) > 0); /* flagged, never deleted */
        bench_free(b);
    }
}

/* Attraction before contact: kept out of the fit, measured, and called by its name. */
static void test_snap_in(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    make_curves(b);
    for (int i = 0; i < N; i++) /* a dip of 6 nm over the last 5 nm before contact */
        if (b->z[0][i] > b->z0 - 5e-9 && b->z[0][i] < b->z0) b->d[0][i] -= 6e-9;
    analyse_bench(b);
    assert_true(b->result.flags & FLAG(attractive));
    assert_within(value(b, MAP_snap_in_force), b->k * 6e-9, 0.2e-9);
    assert_within(value(b, MAP_reduced_modulus) / b->modulus, 1, 0.1);
    bench_free(b);
}

static void test_trace_shows_every_step(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    run_bench(b);
    const struct segment_trace *t = &b->trace.seg[SEG_APPROACH];
    assert_int_equal(t->n, N);
    assert_int_equal(b->trace.seg[SEG_RETRACT].n, N);
    assert_int_equal(b->trace.seg[SEG_DWELL].n, 0);
    double rest = 0, inside = 0;
    for (size_t i = 0; i < t->n; i++) {
        assert_true(i == 0 || t->z_m[i] > t->z_m[i - 1]);
        double line = t->offset_m + t->slope * (t->z_m[i] - t->z_ref_m);
        assert_within(t->force_n[i], b->k * (t->deflection_m[i] - line), 1e-18);
        if (!b->trace.in_fit[i]) continue;
        rest += pow(t->deflection_m[i] - b->trace.fit_deflection_m[i], 2), inside++;
    }
    assert_true(inside == value(b, MAP_samples_used));
    assert_within(sqrt(rest / inside) / b->noise, 1, 0.1);
    assert_within(t->separation_m[N - 1], -value(b, MAP_indentation), 4 * b->noise);
    bench_free(b);
}

/* Same samples, same bits: nothing is carried over from curve to curve. */
static void test_nothing_is_carried_over(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("{}");
    run_bench(b);
    struct pixel_result first = b->result;
    struct raw_curve keep = b->raw, absent = {.absent = true};
    struct pixel_result other;
    keep.seg[SEG_APPROACH].n = 300;
    curve_analyse(&b->plan, &absent, b->work, &other, NULL);
    curve_analyse(&b->plan, &keep, b->work, &other, NULL);
    curve_analyse(&b->plan, &b->raw, b->work, &other, NULL);
    assert_memory_equal(&first.map, &other.map, sizeof first.map);
    assert_int_equal(first.flags, other.flags);
    bench_free(b);
}

static void test_plan_says_what_is_missing(void **unused)
{
    (void)unused;
    struct recipe r;
    struct report rep;
    struct lever lever;
    struct curve_plan plan;
    enum signal_stage stages[SEG_COUNT] = {STAGE_DETECTOR, STAGE_DETECTOR, STAGE_DETECTOR};
    bool there[SEG_COUNT] = {true, false, false};
    lever_clear(&lever);
    assert_int_equal(recipe_default(&r, &rep), ST_OK);
    assert_int_equal(curve_plan_make(&r, &lever, stages, there, &plan, &rep), ST_RECIPE);
    assert_non_null(strstr(rep.text, "calibration.deflection_sensitivity"));
    lever.item[LEVER_deflection_sensitivity].value = 5e-8;
    assert_int_equal(curve_plan_make(&r, &lever, stages, there, &plan, &rep), ST_RECIPE);
    assert_non_null(strstr(rep.text, "/calibration/spring_constant"));
    lever.item[LEVER_spring_constant].value = 0.3;
    assert_int_equal(curve_plan_make(&r, &lever, stages, there, &plan, &rep), ST_RECIPE);
    assert_non_null(strstr(rep.text, "tip.tip_radius"));
    lever.item[LEVER_tip_radius].value = 1e-8;
    assert_int_equal(curve_plan_make(&r, &lever, stages, there, &plan, &rep), ST_OK);
    r.v[KEY_tip_tip_cap_radius].given = 1; /* a paraboloid has no cap */
    assert_int_equal(curve_plan_make(&r, &lever, stages, there, &plan, &rep), ST_RECIPE);
    assert_non_null(strstr(rep.text, "tip.tip_cap_radius is given"));
    r.v[KEY_tip_tip_cap_radius].given = 0;
    r.v[KEY_contact_model].choice = CONTACT_jkr; /* retract only, and there is none */
    assert_int_equal(curve_plan_make(&r, &lever, stages, there, &plan, &rep), ST_RECIPE);
    assert_non_null(strstr(rep.text, "retract"));
    recipe_free(&r);
    units_close();
}

/* 1/Er = (1 - nu_s^2)/E_s + (1 - nu_t^2)/E_t, tests/reference/30_reduced_modulus.csv (H. Hertz
 * 1882; W. C. Oliver, G. M. Pharr, J. Mater. Res. 7 (1992) 1564): back from Er to the sample's
 * modulus. The table's 1e-14 grows by what the tip takes, at most five times here. */
static void test_reduced_modulus_table(void **unused)
{
    (void)unused;
    static struct table t;
    assert_true(table_read(&t, "30_reduced_modulus.csv"));
    assert_int_equal(t.rows, 5);
    for (size_t i = 0; i < t.rows; i++) {
        const double *row = t.cell[i], er = row[4];
        struct curve_plan plan = {.poisson_ratio = row[1]};
        double power, up, down, ignored;
        lever_clear(&plan.lever);
        plan.lever.item[LEVER_tip_modulus].value = row[2];
        plan.lever.item[LEVER_tip_poisson_ratio].value = row[3];
        assert_true(fabs(sample_modulus(&plan, er, &power) / row[0] - 1) < 6e-14);
        /* E ~ E*^power here, and the share of the tip is 1 - Er/Estar */
        assert_true(fabs(power * row[6] - 1) < 6e-14);
        up = sample_modulus(&plan, er * (1 + 1e-6), &ignored);
        down = sample_modulus(&plan, er * (1 - 1e-6), &ignored);
        assert_true(fabs(log(up / down) / 2e-6 / power - 1) < 1e-8);
        plan.lever.item[LEVER_tip_modulus].value = NAN; /* a rigid tip */
        assert_true(fabs(sample_modulus(&plan, row[5], &power) / row[0] - 1) < 1e-14);
        assert_true(power == 1);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_clean_curve),
        cmocka_unit_test(test_adhesion_maps),
        cmocka_unit_test(test_stated_error_covers_scatter),
        cmocka_unit_test(test_short_baseline_with_adhesion),
        cmocka_unit_test(test_range_of_the_fit),
        cmocka_unit_test(test_force_space),
        cmocka_unit_test(test_retract_models),
        cmocka_unit_test(test_drag_splits_the_baselines),
        cmocka_unit_test(test_reasons_to_reject),
        cmocka_unit_test(test_no_contact),
        cmocka_unit_test(test_limits),
        cmocka_unit_test(test_snap_in),
        cmocka_unit_test(test_trace_shows_every_step),
        cmocka_unit_test(test_nothing_is_carried_over),
        cmocka_unit_test(test_plan_says_what_is_missing),
        cmocka_unit_test(test_reduced_modulus_table),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
