/* Sphere, power-law profile, blunted cone, blunted pyramid and hyperboloid: published equations
 * through independent tables (tests/reference, made with 40-digit arithmetic; sources in its
 * README), the simpler models they turn into, and the traps of their angles and cap radius. */
#include "contact/contact.h"
#include "table.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static const double degree = M_PI / 180.0;

static void assert_close(double got, double want, double tolerance)
{
    if (!(fabs(got - want) <= tolerance * fabs(want)))
        fail_msg("got %.17g, want %.17g, differ by %.3g", got, want, got / want - 1);
}

static struct contact_setup tip(double radius, double angle_rad)
{
    return (struct contact_setup){.spring_n_per_m = 0.1,
                                  .radius_m = radius,
                                  .half_angle_rad = angle_rad,
                                  .face_angle_rad = angle_rad,
                                  .profile_exponent = NAN,
                                  .cap_radius_m = NAN};
}

static struct contact_state state_at(const struct contact_model *m, const struct contact_setup *s,
                                     double modulus, double depth)
{
    struct contact_state state;
    struct contact_sample sample = {modulus, NAN, 0};
    m->state(s, &sample, depth, &state);
    return state;
}

/* --- tables --- */

static void test_sphere_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "02_sphere_exact.csv"));
    assert_int_equal(t.rows, 11);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct contact_setup s = tip(c[2], NAN);
        struct contact_state got = state_at(&contact_sphere, &s, c[4], c[3]);
        assert_close(got.contact_radius_m, c[5], 1e-13);
        assert_close(got.force_n, c[6], 1e-13);
        assert_close(got.stiffness_n_per_m, c[8], 1e-13);
        struct contact_state flat = state_at(&contact_paraboloid, &s, c[4], c[3]);
        assert_close(got.force_n / flat.force_n, c[7], 1e-13);
    }
}

/* The table's B r^n is the model's R (r/R)^n / n: B = R^(1-n)/n. With n = 1 that leaves B = 1 only;
 * the rows with another B are cones of tan(half angle) = 1/B. */
static void test_profile_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "06_power_law_profile.csv"));
    assert_int_equal(t.rows, 8);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i], b = c[2], n = c[3];
        struct contact_setup s = tip(pow(n * b, 1 / (1 - n)), atan(1 / b));
        s.profile_exponent = n;
        const struct contact_model *m = n > 1 ? &contact_power_profile : &contact_cone;
        struct contact_state got = state_at(m, &s, c[5], c[4]);
        assert_close(got.contact_radius_m, c[6], 1e-12);
        assert_close(got.force_n, c[7], 1e-12);
    }
}

static void blunted_table(const char *file, const struct contact_model *m, size_t rows)
{
    struct table t;
    assert_true(table_read(&t, file));
    assert_int_equal(t.rows, rows);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct contact_setup s = tip(c[2], c[3] * degree);
        s.cap_radius_m = c[4];
        struct contact_state got = state_at(m, &s, c[6], c[5]);
        assert_close(got.contact_radius_m, c[7], 1e-12);
        assert_close(got.force_n, c[8], 1e-12);
        assert_close(got.stiffness_n_per_m, 2 * c[6] * c[7], 1e-12); /* dF/d delta = 2 E* a */
    }
}

static void test_blunted_cone_table(void **unused)
{
    (void)unused;
    blunted_table("07_blunted_cone.csv", &contact_blunted_cone, 10);
}

static void test_hyperboloid_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "09_hyperboloid.csv"));
    assert_int_equal(t.rows, 6);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct contact_setup s = tip(c[2], c[3] * degree);
        struct contact_state got = state_at(&contact_hyperboloid, &s, c[5], c[4]);
        assert_close(c[0] / (1 - c[1] * c[1]), c[5], 1e-14);
        assert_close(got.contact_radius_m, c[6], 1e-13);
        assert_close(got.force_n, c[7], 1e-13);
        assert_close(got.stiffness_n_per_m, 2 * c[5] * c[6], 1e-13); /* dF/d delta = 2 E* a */
    }
}

static void test_blunted_pyramid_table(void **unused)
{
    (void)unused;
    blunted_table("08_blunted_pyramid.csv", &contact_blunted_pyramid, 11);
}

/* --- limits --- */

/* F/F(paraboloid) = 1 - delta/(10 R) + ..., from the expansion of Sneddon's solution in a/R:
 * delta = a^2/R (1 + e/3), F = 4/3 E* a^3/R (1 + 2e/5), e = (a/R)^2. */
static void test_sphere_is_a_paraboloid_at_small_depth(void **unused)
{
    (void)unused;
    struct contact_setup s = tip(3e-6, NAN);
    for (double ratio = 1e-12; ratio < 0.03; ratio *= 7) {
        double depth = ratio * s.radius_m;
        double full = state_at(&contact_sphere, &s, 1e5, depth).force_n;
        double flat = state_at(&contact_paraboloid, &s, 1e5, depth).force_n;
        assert_true(fabs(full / flat - (1 - ratio / 10)) <= ratio * ratio + 1e-14);
    }
}

/* At great depth a tends to R, the stiffness to that of a punch. */
static void test_sphere_is_a_punch_at_great_depth(void **unused)
{
    (void)unused;
    struct contact_setup s = tip(3e-6, NAN);
    struct contact_state deep = state_at(&contact_sphere, &s, 1e5, 20 * s.radius_m);
    assert_close(deep.stiffness_n_per_m, 2 * 1e5 * s.radius_m, 1e-12);
    assert_close(deep.contact_radius_m, s.radius_m, 1e-12);
}

static void test_profile_limits(void **unused)
{
    (void)unused;
    struct contact_setup s = tip(2e-7, 45 * degree);
    for (double depth = 1e-10; depth < 1e-5; depth *= 3) {
        const struct contact_model *limit[] = {&contact_cone, &contact_paraboloid};
        for (int n = 1; n <= 2; n++) {
            s.profile_exponent = n;
            struct contact_state got = state_at(&contact_power_profile, &s, 2e6, depth);
            struct contact_state want = state_at(limit[n - 1], &s, 2e6, depth);
            assert_close(got.force_n, want.force_n, 1e-13);
            assert_close(got.contact_radius_m, want.contact_radius_m, 1e-13);
        }
    }
    /* a power law: doubling the depth raises the force by 2^(1 + 1/n) */
    for (double n = 1; n <= 20; n += 0.5) {
        s.profile_exponent = n;
        double once = state_at(&contact_power_profile, &s, 2e6, 1e-8).force_n;
        double twice = state_at(&contact_power_profile, &s, 2e6, 2e-8).force_n;
        assert_close(twice / once, pow(2, 1 + 1 / n), 1e-13);
    }
}

/* A blunted tip is a paraboloid below the joint, at depth b^2/R, and its bare sides at great depth.
 * The bare sides would end R c^2/2 beyond the apex, so that F = A (delta + R c^2/2)^2 there. */
static void blunted_limits(const struct contact_model *blunted, const struct contact_model *bare,
                           double slope)
{
    struct contact_setup s = tip(4e-8, 30 * degree);
    double joint = s.radius_m * slope * slope;
    for (double share = 1e-6; share < 1; share *= 1.7) {
        struct contact_state got = state_at(blunted, &s, 1e6, share * joint);
        assert_close(got.force_n, state_at(&contact_paraboloid, &s, 1e6, share * joint).force_n,
                     1e-14);
        assert_close(got.contact_radius_m, s.radius_m * slope * sqrt(share), 1e-14);
    }
    for (double depth = 1e3 * joint; depth < 1e7 * joint; depth *= 10) {
        double got = state_at(blunted, &s, 1e6, depth).force_n;
        double excess = got / state_at(bare, &s, 1e6, depth).force_n - 1;
        assert_close(excess, joint / depth, 5e-3);
    }
}

static void test_blunted_limits(void **unused)
{
    (void)unused;
    blunted_limits(&contact_blunted_cone, &contact_cone, 1 / tan(30 * degree));
    blunted_limits(&contact_blunted_pyramid, &contact_pyramid,
                   2 * sqrt(2) / M_PI / tan(30 * degree));
}

/* A paraboloid of its apex radius at first, in the end the cone shifted by R/tan^2: delta tends to
 * (pi/2) a/tan - R/tan^2, so that F tends to that of the cone at delta + R/tan^2. */
static void test_hyperboloid_limits(void **unused)
{
    (void)unused;
    struct contact_setup s = tip(2e-8, 25 * degree);
    double length = s.radius_m / pow(tan(s.half_angle_rad), 2);
    for (double ratio = 1e-14; ratio < 1e-3; ratio *= 10) {
        double round = state_at(&contact_paraboloid, &s, 1e6, ratio * length).force_n;
        double got = state_at(&contact_hyperboloid, &s, 1e6, ratio * length).force_n;
        assert_true(fabs(got / round - 1) < ratio + 1e-14);
    }
    for (double ratio = 1e3; ratio < 1e9; ratio *= 10) {
        double sharp = state_at(&contact_cone, &s, 1e6, (ratio + 1) * length).force_n;
        double got = state_at(&contact_hyperboloid, &s, 1e6, ratio * length).force_n;
        assert_true(fabs(got / sharp - 1) < 3 / (ratio * ratio) + 1e-14);
    }
}

/* An outside neighbour: the hyperboloid with the same apex radius and asymptotic cone. Nowhere is
 * its profile as steep as the blunted cone's, so that it carries more force at the same depth; both
 * are the same paraboloid at first and the same cone in the end. */
static void test_blunted_cone_beside_the_hyperboloid(void **unused)
{
    (void)unused;
    static const double printed[] = {0.99947, 0.98747, 0.8736, 0.93089, 0.98836, 0.88926};
    struct table t;
    assert_true(table_read(&t, "09_hyperboloid.csv"));
    assert_int_equal(t.rows, 6);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct contact_setup s = tip(c[2], c[3] * degree);
        double ratio = state_at(&contact_blunted_cone, &s, c[5], c[4]).force_n / c[7];
        assert_true(ratio < 1 && fabs(ratio - printed[i]) < 1e-3);
    }
}

/* --- traps --- */

/* The face angle is meant: with the edge angle of the same pyramid, tan(edge) = sqrt(2) tan(face),
 * the deep force would be 41 % higher. And a pyramid is no cone of its face angle: pi/(2 sqrt 2)
 * = 1.11. */
static void test_pyramid_takes_the_face_angle(void **unused)
{
    (void)unused;
    double face = 35 * degree, deep = 1e-2;
    struct contact_setup s = tip(2e-8, face), edge = tip(2e-8, atan(sqrt(2) * tan(face)));
    double right = state_at(&contact_blunted_pyramid, &s, 1e4, deep).force_n;
    assert_close(right, 1e4 * tan(face) * deep * deep / sqrt(2), 1e-5);
    assert_close(state_at(&contact_blunted_pyramid, &edge, 1e4, deep).force_n / right, sqrt(2),
                 1e-5);
    assert_close(right / state_at(&contact_blunted_cone, &s, 1e4, deep).force_n,
                 M_PI / (2 * sqrt(2)), 1e-5);
}

/* a grows with sqrt(delta) at the smooth joint without a break. With b = R cos(angle) the tip has
 * an edge at b: the contact sticks there, a hardly grows at first. */
static void test_cap_radius_is_explicit(void **unused)
{
    (void)unused;
    struct contact_setup smooth = tip(1e-7, 35 * degree), edge = smooth, same = smooth;
    edge.cap_radius_m = edge.radius_m * cos(35 * degree);
    same.cap_radius_m = same.radius_m / tan(35 * degree);
    for (int with_edge = 0; with_edge < 2; with_edge++) {
        const struct contact_setup *s = with_edge ? &edge : &smooth;
        double b = with_edge ? edge.cap_radius_m : same.cap_radius_m, joint = b * b / s->radius_m;
        double grow[2];
        for (int side = 0; side < 2; side++) {
            double step = (side ? 1e-8 : -1e-8) * joint;
            double a = state_at(&contact_blunted_cone, s, 1e6, joint + step).contact_radius_m;
            grow[side] = (a - b) / step * 2 * b / s->radius_m; /* 1 where a^2 = R delta */
        }
        assert_close(grow[0], 1, 1e-4);
        if (with_edge)
            assert_true(grow[1] < 1e-3);
        else
            assert_close(grow[1], 1, 1e-3);
    }
    for (double depth = 1e-9; depth < 1e-5; depth *= 2)
        assert_close(state_at(&contact_blunted_cone, &same, 1e6, depth).force_n,
                     state_at(&contact_blunted_cone, &smooth, 1e6, depth).force_n, 1e-13);
    assert_close(state_at(&contact_blunted_cone, &edge, 1e6, 2e-7).force_n /
                     state_at(&contact_blunted_cone, &smooth, 1e6, 2e-7).force_n,
                 0.916532991787919, 1e-12); /* both from the header of table 07, 30 digits */
}

/* A cap beyond the smooth joint would not be convex: the smooth joint is taken, as the limits say.
 */
static void test_cap_radius_beyond_the_joint(void **unused)
{
    (void)unused;
    struct contact_setup smooth = tip(1e-7, 35 * degree), wide = smooth;
    wide.cap_radius_m = 1.2 * wide.radius_m / tan(35 * degree);
    assert_true(state_at(&contact_blunted_cone, &wide, 1e6, 5e-7).force_n ==
                state_at(&contact_blunted_cone, &smooth, 1e6, 5e-7).force_n);
}

/* --- the search --- */

enum { SAMPLES = 400 };

static const struct contact_model *const models[] = {
    &contact_sphere, &contact_power_profile, &contact_blunted_cone, &contact_blunted_pyramid,
    &contact_hyperboloid};
enum { MODELS = sizeof models / sizeof *models };

/* Shapes with and without an edge, blunt and sharp profiles. */
static struct contact_setup variant(int which)
{
    struct contact_setup s = tip(5e-8, (20 + 20 * which) * degree);
    s.profile_exponent = which == 0 ? 1 : which == 1 ? 2.7 : 20;
    if (which == 1) s.cap_radius_m = 0.999 * s.radius_m / tan(s.half_angle_rad);
    if (which == 2) s.cap_radius_m = 0.2 * s.radius_m / tan(s.half_angle_rad);
    return s;
}

#define FOR_SEARCHES(m, s, kappa)                                                                  \
    for (int model_ = 0; model_ < MODELS; model_++)                                                \
        for (int variant_ = 0; variant_ < 3; variant_++)                                           \
            for (double kappa = 1e-6; kappa < 1e7; kappa *= 100)                                   \
                for (struct contact_setup s = variant(variant_), *p_ = &s; p_; p_ = NULL)          \
                    for (const struct contact_model *m = models[model_]; m; m = NULL)

/* y = kappa f(t - y) to the rounding of t and y, over twelve decades of t; in ascending order and
 * one by one. */
static void test_lever_to_rounding(void **unused)
{
    (void)unused;
    FOR_SEARCHES(m, s, kappa)
    {
        double t[SAMPLES], y[SAMPLES], y_t[SAMPLES], y_k[SAMPLES];
        for (int i = 0; i < SAMPLES; i++)
            t[i] = 1e-9 * pow(1e12, (i + 0.5) / SAMPLES);
        struct contact_shape shape = {&s, kappa, 0};
        struct contact_columns all = {y, y_t, y_k, NULL};
        m->lever(&shape, t, SAMPLES, &all);
        for (int i = 0; i < SAMPLES; i++) {
            double f, f_u, alone[3], u = t[i] - y[i];
            struct contact_columns force = {&f, &f_u, NULL, NULL};
            struct contact_columns one = {alone, alone + 1, alone + 2, NULL};
            m->lever(&shape, t + i, 1, &one);
            assert_close(alone[0], y[i], 1e-13);
            assert_close(alone[1], y_t[i], 1e-12);
            m->force(&shape, &u, 1, &force);
            /* what y is off by, seen through the slope of y - kappa f(t - y) in y */
            if (!(fabs(y[i] - kappa * f) <= 2e-14 * y[i] * (1 + kappa * f_u)))
                fail_msg("%s variant %d kappa %g t %g: y %.17g, kappa f %.17g", m->name, variant_,
                         kappa, t[i], y[i], kappa * f);
        }
    }
}

/* Many samples at once go by the table of the curve, one alone by the closed expressions: the same
 * numbers, also around the joint of cap and side and beyond the table's end. */
static void test_table_is_the_curve(void **unused)
{
    (void)unused;
    static double t[4 * SAMPLES], y[4 * SAMPLES], y_t[4 * SAMPLES], y_k[4 * SAMPLES];
    static const double tops[] = {1e-3, 0.5, 3, 40};
    for (int model = 0; model < MODELS; model++)
        for (double kappa = 1e-6; kappa < 1e7; kappa *= 9)
            for (int top = 0; top < 4; top++) {
                struct contact_setup s = tip(5e-8, 35 * degree);
                s.profile_exponent = 2.7;
                struct contact_shape shape = {&s, kappa, 0};
                struct contact_columns all = {y, y_t, y_k, NULL};
                for (int i = 0; i < 4 * SAMPLES; i++)
                    t[i] = tops[top] * (1 + kappa) * (i + 0.5) / (4 * SAMPLES);
                models[model]->lever(&shape, t, 4 * SAMPLES, &all);
                for (int i = 0; i < 4 * SAMPLES; i++) {
                    double alone[3];
                    struct contact_columns one = {alone, alone + 1, alone + 2, NULL};
                    models[model]->lever(&shape, t + i, 1, &one);
                    assert_close(y[i], alone[0], 1e-13);
                    assert_close(y_t[i], alone[1], 1e-10);
                    assert_close(y_k[i], alone[2], 1e-10);
                }
            }
}

static void test_slopes_to_seven_digits(void **unused)
{
    (void)unused;
    FOR_SEARCHES(m, s, kappa)
    {
        for (double t = 1e-7; t < 1e3; t *= 3.3) {
            double at[4][3], h = 3e-4;
            const double place[4][2] = {
                {t, kappa}, {t * (1 + h), kappa}, {t * (1 - h), kappa}, {t, kappa * exp(h)}};
            double below[3], k_below = kappa * exp(-h);
            for (int i = 0; i < 5; i++) {
                double *c = i < 4 ? at[i] : below;
                struct contact_shape shape = {&s, i < 4 ? place[i][1] : k_below, 0};
                struct contact_columns out = {c, c + 1, c + 2, NULL};
                m->lever(&shape, i < 4 ? &place[i][0] : &t, 1, &out);
            }
            /* central differences: error h^2/6 times the third derivative, some 1e-8 */
            double size = fabs(at[0][0]) + fabs(t * at[0][1]);
            assert_true(fabs((at[1][0] - at[2][0]) / (2 * h) - t * at[0][1]) < 1e-7 * size);
            assert_true(fabs((at[3][0] - below[0]) / (2 * h) - at[0][2]) < 1e-7 * size);
        }
    }
}

static void test_out_of_contact(void **unused)
{
    (void)unused;
    FOR_SEARCHES(m, s, kappa)
    {
        double t[3] = {-1, 0, NAN}, y[3], y_t[3], y_k[3];
        struct contact_shape shape = {&s, kappa, 0};
        struct contact_columns out = {y, y_t, y_k, NULL};
        for (int which = 0; which < 2; which++) {
            memset(y, 1, sizeof y), memset(y_t, 1, sizeof y_t), memset(y_k, 0, sizeof y_k);
            (which ? m->lever : m->force)(&shape, t, 3, &out);
            for (int i = 0; i < 3; i++)
                assert_true(y[i] == 0 && y_t[i] == 0 && y_k[i] == 0);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_sphere_table),
        cmocka_unit_test(test_profile_table),
        cmocka_unit_test(test_blunted_cone_table),
        cmocka_unit_test(test_blunted_pyramid_table),
        cmocka_unit_test(test_hyperboloid_table),
        cmocka_unit_test(test_hyperboloid_limits),
        cmocka_unit_test(test_sphere_is_a_paraboloid_at_small_depth),
        cmocka_unit_test(test_sphere_is_a_punch_at_great_depth),
        cmocka_unit_test(test_profile_limits),
        cmocka_unit_test(test_blunted_limits),
        cmocka_unit_test(test_blunted_cone_beside_the_hyperboloid),
        cmocka_unit_test(test_pyramid_takes_the_face_angle),
        cmocka_unit_test(test_cap_radius_is_explicit),
        cmocka_unit_test(test_cap_radius_beyond_the_joint),
        cmocka_unit_test(test_lever_to_rounding),
        cmocka_unit_test(test_table_is_the_curve),
        cmocka_unit_test(test_slopes_to_seven_digits),
        cmocka_unit_test(test_out_of_contact),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
