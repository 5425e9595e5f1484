/* Unloading after plastic deformation: W. C. Oliver, G. M. Pharr, J. Mater. Res. 7 (1992) 1564 and
 * 19 (2004) 3, through a table made with 40-digit arithmetic (tests/reference), elastic identities
 * that must hold, and what the recipe refuses. */
#include "contact/contact.h"
#include "curve/curve_private.h"
#include "curve/power_fit.h"
#include "curve/tip_area.h"
#include "table.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#undef fail
#include <cmocka.h>

static const double degree = M_PI / 180.0;

static void assert_close(double got, double want, double tolerance)
{
    if (!(fabs(got - want) <= tolerance * fabs(want)))
        fail_msg("got %.17g, want %.17g, differ by %.3g", got, want, got / want - 1);
}

/* --- the table --- */

static struct area_function area_of(char initial, const double *cell)
{
    struct area_function f = {.factor = 1};
    f.radius_m = cell[1];
    f.half_angle_rad = cell[1] * degree;
    f.shape = initial == 'b'   ? AREA_berkovich
              : initial == 'c' ? AREA_cone
              : initial == 's' ? AREA_sphere
                               : AREA_paraboloid;
    return f;
}

static struct curve_plan plan_of(double e_tip, double nu_tip, double nu)
{
    struct curve_plan plan = {.poisson_ratio = nu};
    lever_clear(&plan.lever);
    plan.lever.item[LEVER_tip_modulus].value = e_tip;
    plan.lever.item[LEVER_tip_poisson_ratio].value = nu_tip;
    return plan;
}

static void test_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "50_oliver_pharr.csv"));
    assert_int_equal(t.rows, 5);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct unloading_curve curve = {c[2], c[3], c[4]};
        struct unloading_law law = {c[7], c[6], area_of(t.initial[i][0], c)};
        double stiffness, force = unloading_force(&curve, c[5], &stiffness), power;
        assert_close(force, c[11], 1e-12);
        assert_close(stiffness, c[12], 1e-12);
        struct unloading_state s = unloading_at(&law, force, stiffness, c[5]);
        assert_close(s.contact_depth_m, c[13], 1e-12);
        assert_close(s.area_m2, c[14], 1e-12);
        assert_close(s.reduced_modulus_pa, c[15], 1e-12);
        assert_close(s.hardness_pa, c[16], 1e-12);
        assert_close(unloading_area(&law, stiffness, s.reduced_modulus_pa), c[14], 1e-12);
        struct curve_plan plan = plan_of(c[8], c[9], c[10]);
        assert_close(sample_modulus(&plan, s.reduced_modulus_pa, &power), c[17], 1e-12);
        assert_true((power > 0) == (c[17] > 0)); /* what the map goes by */
    }
}

/* --- what must hold --- */

/* An elastic paraboloid unloads as it loads, F = 4/3 E* sqrt(R) h^1.5 (Hertz): with epsilon = 3/4
 * the contact depth is half the depth, the area 2 pi R h_c = pi R h, and E_r is E*. */
static void test_elastic_paraboloid(void **unused)
{
    (void)unused;
    double e = 7e9, r = 80e-9, h = 3e-9, stiffness;
    struct unloading_curve curve = {4.0 / 3.0 * e * sqrt(r), 0, 1.5};
    struct unloading_law law = {0.75, 1, {.shape = AREA_paraboloid, .radius_m = r, .factor = 1}};
    double force = unloading_force(&curve, h, &stiffness);
    struct unloading_state s = unloading_at(&law, force, stiffness, h);
    assert_close(s.contact_depth_m, 0.5 * h, 1e-14);
    assert_close(s.area_m2, M_PI * r * h, 1e-14);
    assert_close(s.reduced_modulus_pa, e, 1e-14);
}

/* An elastic cone: F = 2/pi E* tan(angle) h^2, h_c = 2/pi h (I. N. Sneddon, Int. J. Eng. Sci. 3
 * (1965) 47), so epsilon is 2 (1 - 2/pi) = 0.7268. */
static void test_elastic_cone(void **unused)
{
    (void)unused;
    double e = 7e9, angle = 70.3 * degree, h = 30e-9, stiffness;
    struct unloading_curve curve = {2.0 / M_PI * e * tan(angle), 0, 2.0};
    struct unloading_law law = {
        2.0 * (1.0 - 2.0 / M_PI), 1, {.shape = AREA_cone, .half_angle_rad = angle, .factor = 1}};
    double force = unloading_force(&curve, h, &stiffness);
    struct unloading_state s = unloading_at(&law, force, stiffness, h);
    assert_close(s.contact_depth_m, 2.0 / M_PI * h, 1e-14);
    assert_close(s.reduced_modulus_pa, e, 1e-14);
}

/* The force is zero where the depth is what is left, and stays so. */
static void test_nothing_below_the_print(void **unused)
{
    (void)unused;
    struct unloading_curve curve = {2e9, 50e-9, 1.4};
    double slope;
    for (double h = 0; h <= 50e-9; h += 5e-9) {
        assert_true(unloading_force(&curve, h, &slope) == 0.0);
        assert_true(slope == 0.0);
    }
    assert_true(unloading_force(&curve, 50.1e-9, &slope) > 0);
}

/* No area: above the surface, beyond a sphere's middle, a function that has gone below zero. */
static void test_no_area(void **unused)
{
    (void)unused;
    struct area_function sphere = {.shape = AREA_sphere, .radius_m = 1e-7, .factor = 1};
    struct area_function f = {
        .shape = AREA_function, .quadratic = 24.5, .linear_m = -1e-6, .factor = 1};
    struct area_function pyramid = {
        .shape = AREA_pyramid, .face_angle_rad = 35 * degree, .factor = 2};
    assert_true(isnan(area_at(&sphere, 0.0)));
    assert_true(isnan(area_at(&sphere, 1.01e-7)));
    assert_close(area_at(&sphere, 1e-7), M_PI * 1e-14, 1e-14);
    assert_true(isnan(area_at(&f, 1e-8)));
    assert_close(area_at(&f, 1e-6), 23.5e-12, 1e-14);
    /* a square of side 2 h tan(face angle), times the factor */
    assert_close(area_at(&pyramid, 1e-7), 2 * pow(2e-7 * tan(35 * degree), 2), 1e-14);
}

/* The root of x = d t^m + a t: put in, got back. */
static void test_share(void **unused)
{
    (void)unused;
    for (double m = 0.8; m < 8; m *= 1.17)
        for (double a = 1e-12; a < 1e-4; a *= 31)
            for (double t = 1e-3; t < 1.3; t *= 1.9)
                assert_close(power_fit_share(1e-8 * pow(t, m) + a * t, 1e-8, a, m), t, 1e-12);
}

/* --- the recipe --- */

static enum status make(const char *text, struct curve_plan *plan, struct report *rep)
{
    static const enum signal_stage stages[SEG_COUNT] = {STAGE_DEFLECTION, STAGE_DEFLECTION,
                                                        STAGE_DEFLECTION};
    static const bool there[SEG_COUNT] = {[SEG_APPROACH] = true, [SEG_RETRACT] = true};
    struct recipe recipe;
    struct lever lever;
    char all[1024];
    lever_clear(&lever);
    snprintf(all, sizeof all, "calibration:\n  spring_constant: 40 N/m\n%s", text);
    enum status st = recipe_parse(&recipe, all, strlen(all), "r.yaml", rep);
    if (st != ST_OK) return st;
    st = curve_plan_make(&recipe, &lever, stages, there, plan, rep);
    recipe_free(&recipe);
    return st;
}

static void refused(const char *text, const char *word)
{
    struct curve_plan plan;
    struct report rep = {""};
    assert_int_equal(make(text, &plan, &rep), ST_RECIPE);
    if (!strstr(rep.text, word)) fail_msg("'%s' does not say '%s'", rep.text, word);
    curve_plan_free(&plan);
}

static void test_refused(void **unused)
{
    (void)unused;
    refused("tip:\n  tip_radius: 30 nm\nunloading:\n  epsilon: 0.7\n", "analysis is none");
    refused("tip:\n  tip_radius: 30 nm\nunloading:\n  analysis: power_law\n  epsilon: 7\n",
            "epsilon");
    refused("tip:\n  tip_radius: 30 nm\nunloading:\n  analysis: power_law\n  from: 96 %\n",
            "must be below");
    refused("tip:\n  tip_radius: 30 nm\nunloading:\n  analysis: power_law\n  area: cone\n",
            "tip_half_angle");
    refused("tip:\n  tip_radius: 30 nm\nunloading:\n  analysis: power_law\n  area: function\n",
            "tip_area_quadratic");
}

static void test_area_chosen(void **unused)
{
    (void)unused;
    struct curve_plan plan;
    struct report rep = {""};
    const char *on = "unloading:\n  analysis: power_law\n";
    static const struct {
        const char *tip;
        enum area_shape shape;
    } cases[] = {{"contact:\n  model: paraboloid\ntip:\n  tip_radius: 30 nm\n", AREA_paraboloid},
                 {"contact:\n  model: cone\ntip:\n  tip_half_angle: 70 degree\n", AREA_cone},
                 {"contact:\n  model: pyramid\ntip:\n  tip_face_angle: 35 degree\n", AREA_pyramid},
                 {"contact:\n  model: cone\ntip:\n  tip_half_angle: 70 degree\n"
                  "  tip_area_quadratic: 24\n  tip_area_factor: 1.1\n",
                  AREA_function}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char text[512];
        snprintf(text, sizeof text, "%s%s", cases[i].tip, on);
        assert_int_equal(make(text, &plan, &rep), ST_OK);
        assert_int_equal(plan.unloading.law.area.shape, cases[i].shape);
        curve_plan_free(&plan);
    }
    assert_close(area_at(&plan.unloading.law.area, 1e-8), 1.1 * 24e-16, 1e-14);
}

/* Areas of the ideal tip, A = 24.5 h^2 (Oliver and Pharr 1992, from memory), without scatter: what
 * rounding leaves is no outlier, one that is twice as large is. */
static void test_area_without_scatter(void **state)
{
    (void)state;
    enum { N = 40 };
    struct area_curve curve[N];
    struct area_fit fit;
    struct report rep = {0};
    for (int i = 0; i < N; i++) {
        double h = i % 4 ? 64e-9 : 20e-9 + 3e-9 * i; /* most are one and the same */
        curve[i] = (struct area_curve){.there = true, .depth_m = h, .area_m2 = 24.5 * h * h};
    }
    curve[7].area_m2 *= 2.0;
    assert_int_equal(area_fit_make(curve, N, FORM_quadratic, 4.0, &fit, &rep), ST_OK);
    assert_int_equal(fit.outliers, 1);
    assert_int_equal(fit.curves, N - 1);
    assert_false(curve[7].there);
    assert_close(fit.coefficient[0], 24.5, 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_table),
        cmocka_unit_test(test_elastic_paraboloid),
        cmocka_unit_test(test_elastic_cone),
        cmocka_unit_test(test_nothing_below_the_print),
        cmocka_unit_test(test_no_area),
        cmocka_unit_test(test_share),
        cmocka_unit_test(test_refused),
        cmocka_unit_test(test_area_chosen),
        cmocka_unit_test(test_area_without_scatter),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
