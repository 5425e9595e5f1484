/* The analyses that need time, on curves made by contact/ting.c itself (which test_ting.c and
 * tests/judge/test_viscoelastic.py hold against others): what becomes of samples that are missing,
 * of segments that are short, long or not there, of times that are not known. */
#include "base/units.h"
#include "curve/in_time.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#undef fail
#include <cmocka.h>

enum { MOST = 9000 };

struct bench {
    struct recipe recipe;
    struct curve_plan plan;
    struct curve_work *work;
    size_t n[SEG_COUNT];
    double z[SEG_COUNT * MOST], d[SEG_COUNT * MOST];
    struct raw_curve raw;
    struct pixel_result result;
};

static const struct ting_solid power = {
    .law = TING_POWER_LAW, .modulus = 1500, .exponent = 0.2, .reference = 1};
static const double point = 1.6123e-6, k = 0.05, radius = 2.5e-6;

static double gauss(void)
{
    double u = (rand() + 1.0) / (RAND_MAX + 2.0), v = (rand() + 1.0) / (RAND_MAX + 2.0);
    return sqrt(-2 * log(u)) * cos(2 * M_PI * v);
}

/* Approach of 2.4 um within half a second, dwell, retract. */
static struct bench *bench_new(const char *yaml, size_t go, size_t dwell, size_t back)
{
    struct bench *b = calloc(1, sizeof *b);
    struct report rep;
    struct lever lever;
    const enum signal_stage stages[SEG_COUNT] = {STAGE_DEFLECTION, STAGE_DEFLECTION,
                                                 STAGE_DEFLECTION};
    const bool there[SEG_COUNT] = {true, dwell > 0, back > 0};
    b->n[0] = go, b->n[1] = dwell, b->n[2] = back;
    if (recipe_parse(&b->recipe, yaml, strlen(yaml), "test", &rep) != ST_OK)
        fail_msg("%s", rep.text);
    lever_clear(&lever);
    lever.item[LEVER_spring_constant] = (struct known){k, NAN, "volume"};
    lever.item[LEVER_tip_radius] = (struct known){radius, NAN, "volume"};
    if (curve_plan_make(&b->recipe, &lever, stages, there, &b->plan, &rep) != ST_OK)
        fail_msg("%s", rep.text);
    b->work = curve_work_new(MOST);
    assert_non_null(b->work);
    size_t n = go + dwell + back, at = 0;
    double h = 0.5 / (double)(go - 1), step = 2.4e-6 / (double)(go - 1);
    for (size_t i = 0; i < n; i++)
        b->z[i] = i < go           ? step * (double)i
                  : i < go + dwell ? 2.4e-6
                                   : 2.4e-6 - step * (double)(i - go - dwell + 1);
    struct ting_path path = {.n = n, .z_m = b->z, .parts = 1, .withdraws = back > 0};
    struct ting_tip tip = {1.5, 4.0 / 3.0 * sqrt(radius) / 0.75, 1 / k};
    struct ting_end end;
    for (int id = 0; id < SEG_COUNT; id++) {
        if (id && b->n[id]) path.first[path.parts++] = at;
        at += b->n[id];
        path.step_s[id] = path.gap_s[id] = h;
    }
    struct ting_work *w = ting_work_new(n);
    ting_force(&power, &tip, &path, point, w, b->d, NULL, &end);
    ting_work_free(w);
    at = 0;
    for (size_t i = 0; i < n; i++)
        b->d[i] = b->d[i] / k + 3e-9 + 0.002 * b->z[i] + 0.2e-9 * gauss();
    b->raw = (struct raw_curve){.stage = {STAGE_DEFLECTION, STAGE_DEFLECTION, STAGE_DEFLECTION}};
    for (int id = 0; id < SEG_COUNT; id++) {
        b->raw.seg[id] = (struct raw_segment){
            .n = b->n[id], .signal = b->d + at, .z_m = b->z + at, .interval_s = h};
        at += b->n[id];
    }
    return b;
}

static void run(struct bench *b)
{
    curve_analyse(&b->plan, &b->raw, b->work, &b->result, NULL);
}

static void bench_free(struct bench *b)
{
    curve_plan_free(&b->plan);
    curve_work_free(b->work);
    recipe_free(&b->recipe);
    free(b);
    units_close();
}

static double score(const struct bench *b, enum map_id id, double truth)
{
    const struct measured *m = &b->result.map[id];
    return (m->value - truth) / m->error;
}

static void assert_found(const struct bench *b)
{
    if (!(fabs(score(b, MAP_relaxation_exponent, 0.2)) < 4))
        fail_msg("%zu, %zu, %zu samples: exponent %g with %g, flags %llx", b->n[0], b->n[1],
                 b->n[2], b->result.map[MAP_relaxation_exponent].value,
                 b->result.map[MAP_relaxation_exponent].error, (unsigned long long)b->result.flags);
    assert_true(fabs(score(b, MAP_relaxation_modulus, 1500)) < 4);
    assert_true(fabs(score(b, MAP_contact_point_in_time, point)) < 4);
    assert_false(b->result.flags & (FLAG(relaxation_failed) | FLAG(relaxation_misfit)));
}

static const char power_law[] = "viscoelastic:\n  model: power_law\n";

static void test_lengths(void **unused)
{
    (void)unused;
    const size_t lengths[][3] = {{600, 0, 600},   {600, 0, 0},       {600, 150, 600},
                                 {600, 3, 450},   {600, 150, 0},     {8999, 0, 9000},
                                 {9000, 1, 9000}, {8191, 517, 8003}, {80, 0, 80}};
    for (size_t i = 0; i < sizeof lengths / sizeof *lengths; i++) {
        struct bench *b = bench_new(power_law, lengths[i][0], lengths[i][1], lengths[i][2]);
        run(b);
        assert_found(b);
        bench_free(b);
    }
}

static void test_missing_samples(void **unused)
{
    (void)unused;
    struct bench *b = bench_new(power_law, 600, 100, 600);
    for (size_t i = 0; i < 1300; i += 41)
        b->d[i] = NAN;
    for (size_t i = 5; i < 1300; i += 53)
        b->z[i] = NAN;
    b->d[0] = b->d[599] = b->d[600] = b->d[1299] = b->z[0] = b->z[1299] = NAN;
    run(b);
    assert_found(b);
    for (size_t i = 600; i < 700; i++) /* a dwell that nothing is known of */
        b->z[i] = NAN;
    run(b);
    assert_true(b->result.flags & FLAG(no_times));
    bench_free(b);
}

static void test_what_cannot_be_used(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("viscoelastic:\n  model: power_law\n  loss_tangent: yes\n", 600, 0,
                                600);
    run(b);
    assert_found(b);
    assert_true(fabs(score(b, MAP_loss_tangent, tan(0.1 * M_PI))) < 4);
    const struct pixel_result good = b->result;
    double h = b->raw.seg[0].interval_s;
    const double intervals[] = {0, NAN, -1e-3};
    for (int i = 0; i < 3; i++) {
        b->raw.seg[SEG_RETRACT].interval_s = intervals[i];
        run(b);
        assert_true(b->result.flags & FLAG(no_times));
        assert_true(isnan(b->result.map[MAP_relaxation_modulus].value));
        assert_true(isnan(b->result.map[MAP_loss_tangent].value));
        assert_true(isnan(b->result.map[MAP_drag_coefficient].value));
        assert_true(b->result.map[MAP_modulus].value == good.map[MAP_modulus].value);
    }
    const double odd[] = {1e-320, 1e-300, 1e-12, 1e12, 1e300, 1e308};
    for (int i = 0; i < 6; i++) { /* nothing to trust, but it must come to an end */
        b->raw.seg[SEG_APPROACH].interval_s = b->raw.seg[SEG_RETRACT].interval_s = odd[i];
        run(b);
        b->raw.seg[SEG_APPROACH].interval_s = h;
        run(b);
    }
    b->raw.seg[SEG_RETRACT].interval_s = h;
    b->raw.seg[SEG_RETRACT].clipped = 1;
    run(b);
    assert_true(b->result.flags & FLAG(no_times));
    b->raw.seg[SEG_RETRACT].clipped = 0;
    b->raw.seg[SEG_RETRACT].n = 20; /* too few */
    run(b);
    assert_true(b->result.flags & FLAG(no_times));
    b->raw.seg[SEG_RETRACT].n = 600;
    run(b);
    assert_memory_equal(&b->result, &good, sizeof good); /* nothing is left of the others */
    bench_free(b);
}

/* The recipe of old: nothing changes, and nothing is there. */
static void test_not_asked(void **unused)
{
    (void)unused;
    struct bench *b = bench_new("viscoelastic:\n  drag_and_dwell: yes\n", 600, 100, 600);
    run(b);
    assert_true(isnan(b->result.map[MAP_relaxation_modulus].value));
    assert_true(isnan(b->result.map[MAP_hysteresis].value));
    assert_true(isfinite(b->result.map[MAP_drag_coefficient].value));
    assert_true(fabs(score(b, MAP_drag_coefficient, 0)) < 4);
    assert_true(b->result.map[MAP_dwell_force_change].value < 0);
    assert_true(b->result.map[MAP_dwell_indentation_change].value > 0);
    assert_false(b->result.flags & FLAG(no_times));
    bench_free(b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_lengths), cmocka_unit_test(test_missing_samples),
        cmocka_unit_test(test_what_cannot_be_used), cmocka_unit_test(test_not_asked)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
