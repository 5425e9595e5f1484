/* Contact models: every model against one suite, and each against its published equations through
 * independent tables (tests/reference, made with 40-digit arithmetic; sources in its README). */
#include "contact/carpick.h"
#include "contact/contact.h"
#include "table.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static void assert_close(double got, double want, double scale, double tolerance)
{
    if (!(fabs(got - want) <= tolerance * fabs(scale)))
        fail_msg("got %.17g, want %.17g, differ by %.3g of %.3g", got, want, (got - want) / scale,
                 scale);
}

static struct contact_setup setup_with(double spring, double radius, double angle_deg)
{
    double rad = angle_deg * M_PI / 180.0;
    return (struct contact_setup){.spring_n_per_m = spring,
                                  .radius_m = radius,
                                  .half_angle_rad = rad,
                                  .face_angle_rad = rad,
                                  .profile_exponent = 3,
                                  .brush_density_per_m2 = 3e14,
                                  .cap_radius_m = NAN};
}

/* columns: E, nu, tip, depth, E*, [a,] F [, stiffness] */
static void compare(const char *file, const struct contact_model *m, int angle, int edge,
                    int a_column, int f_column, int s_column)
{
    struct table t;
    assert_true(table_read(&t, file));
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct contact_setup s = angle ? setup_with(1, NAN, c[2]) : setup_with(1, c[2], NAN);
        struct contact_state state;
        double depth = c[3 + edge], modulus = c[4 + edge];
        assert_close(c[0] / (1 - c[1] * c[1]), modulus, modulus, 1e-14);
        struct contact_sample sample = {modulus, NAN, 0};
        m->state(&s, &sample, depth, &state);
        if (a_column) assert_close(state.contact_radius_m, c[a_column], c[a_column], 1e-12);
        assert_close(state.force_n, c[f_column], c[f_column], 1e-12);
        if (s_column) assert_close(state.stiffness_n_per_m, c[s_column], c[s_column], 1e-12);
    }
}

static void test_paraboloid_table(void **unused)
{
    (void)unused;
    compare("01_paraboloid.csv", &contact_paraboloid, 0, 0, 5, 6, 7);
}

static void test_punch_table(void **unused)
{
    (void)unused;
    compare("03_flat_punch.csv", &contact_flat_punch, 0, 0, 0, 5, 0);
}

static void test_cone_table(void **unused)
{
    (void)unused;
    compare("04_cone.csv", &contact_cone, 1, 0, 5, 6, 7);
}

static void test_pyramid_table(void **unused)
{
    (void)unused;
    compare("05_pyramid.csv", &contact_pyramid, 1, 1, 0, 6, 0);
}

/* The face angle is meant: with the edge angle of the same pyramid the force would be 41 % higher.
 */
static void test_pyramid_takes_the_face_angle(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "05_pyramid.csv"));
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        double force[2];
        assert_close(tan(c[3] * M_PI / 180) / tan(c[2] * M_PI / 180), sqrt(2), 1, 1e-12);
        for (int edge = 0; edge < 2; edge++) {
            struct contact_setup s = {.spring_n_per_m = 1,
                                      .face_angle_rad = c[2 + edge] * M_PI / 180};
            struct contact_sample sample = {c[5], NAN, 0};
            struct contact_state state;
            contact_pyramid.state(&s, &sample, c[4], &state);
            force[edge] = state.force_n;
        }
        assert_close(force[1] / force[0], sqrt(2), 1, 1e-12);
        /* the other constant in use, 0.7453 (from memory), gives 5.4 % more: it is not ours */
        assert_close(c[7] / force[0], 0.7453 * sqrt(2), 1, 1e-12);
    }
}

static void test_dmt_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "10_dmt_sphere.csv"));
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct contact_setup s = setup_with(1, c[2], NAN);
        struct contact_state state;
        struct contact_sample sample = {c[5], c[3], 0};
        contact_dmt.state(&s, &sample, c[4], &state);
        assert_close(state.force_n, c[6], c[7], 1e-13);
    }
}

static void test_jkr_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "11_jkr_sphere.csv"));
    size_t compared = 0;
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        double modulus = c[0] / (1 - c[1] * c[1]), pull_off = 1.5 * M_PI * c[3] * c[2];
        struct contact_setup s = setup_with(1, c[2], NAN);
        struct contact_state state;
        struct contact_sample sample = {modulus, c[3], 0};
        contact_jkr.state(&s, &sample, c[5], &state);
        /* at the very end of the branch dF/d(depth) is infinite: the last digits of depth decide */
        double tolerance = fabs(c[6] + 5.0 / 9.0 * pull_off) < 1e-9 * pull_off ? 1e-6 : 1e-10;
        assert_close(state.force_n, c[6], pull_off, tolerance);
        assert_close(state.contact_radius_m, c[4], c[4], 10 * tolerance);
        compared++;
    }
    assert_int_equal(compared, 27);
}

/* Force minimum 1.5 pi w R, and where force is zero. */
static void test_jkr_points(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "12_jkr_points.csv"));
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct contact_setup s = setup_with(1, c[2], NAN);
        struct contact_state state;
        struct contact_sample sample = {c[4], c[3], 0};
        contact_jkr.state(&s, &sample, c[6], &state);
        assert_close(state.force_n, c[7], c[7], 1e-10);
        assert_close(state.stiffness_n_per_m, 0, c[4] * c[5], 1e-7); /* against 2 E* a */
        contact_jkr.state(&s, &sample, c[9], &state);
        assert_close(state.force_n, 0, c[7], 1e-10);
    }
}

/* Pull-off under load control of the adhesive cone and punch: the force minimum of the one, the end
 * of the other. */
static void test_adhesive_cone_and_punch_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "13_adhesive_punch_cone.csv"));
    assert_int_equal(t.rows, 4);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        bool cone = t.initial[i][0] == 'c';
        const struct contact_model *m = cone ? &contact_adhesive_cone : &contact_adhesive_punch;
        struct contact_setup s = cone ? setup_with(1, NAN, c[3]) : setup_with(1, c[3], NAN);
        struct contact_sample sample = {c[5], c[4], 0};
        struct contact_state got;
        assert_close(c[1] / (1 - c[2] * c[2]), c[5], c[5], 1e-14);
        m->state(&s, &sample, c[7], &got);
        assert_close(got.force_n, c[8], c[8], 1e-13);
        assert_close(got.contact_radius_m, c[6], c[6], 1e-12);
        assert_close(got.stiffness_n_per_m, cone ? 0 : 2 * c[5] * c[6], 2 * c[5] * c[6], 1e-12);
        m->state(&s, &sample, c[7] * 1.001, &got); /* the cone holds at fixed displacement */
        assert_true(cone ? got.force_n < 0 : got.force_n == 0);
    }
}

/* --- one suite for all models --- */

struct trial {
    const struct contact_model *m;
    struct contact_setup s;
    struct contact_sample sample;
    double length, kappa, pull_m;
};

/* Made once for each model. */
static struct layer *layer_for(const struct contact_model *m, const struct contact_setup *s)
{
    static struct layer *kept[CONTACT_COUNT];
    struct contact_setup prepared = *s;
    struct report rep;
    int i = 0;
    while (contact_at(i) != m)
        i++;
    if (kept[i] || !m->layer_exact) return kept[i];
    assert_int_equal(contact_prepare(m, &prepared, &rep), ST_OK);
    return kept[i] = prepared.layer;
}

static struct trial make_trial(int model, double spring)
{
    struct trial t = {.m = contact_at(model), .s = setup_with(spring, 50e-9, 35)};
    t.sample = (struct contact_sample){5e6, t.m->adhesive ? 0.02 : NAN, 0};
    t.s.transition = 1.0; /* lambda, as extra = 0 says */
    t.s.thickness_m = 40e-9;
    t.s.poisson_ratio = 0.5;
    t.s.layer = layer_for(t.m, &t.s);
    double pull_n;
    t.m->scales(&t.s, &t.sample, &t.length, &t.kappa, &pull_n);
    t.pull_m = pull_n / spring;
    return t;
}

/* F_ad of the theory, for lambda = 1 where it depends on it (15_maugis_points.csv). */
static double pull_off_of(const struct trial *t)
{
    double factor = t->m->pull ? 2.0 : 1.5, modulus = t->sample.reduced_modulus_pa;
    double work = t->sample.work_j_per_m2, slope = tan(t->s.half_angle_rad);
    if (t->m == &contact_adhesive_cone) /* header of 13_adhesive_punch_cone.csv */
        return 54 * work * work * slope * slope * slope / (M_PI * modulus);
    if (t->m == &contact_adhesive_punch)
        return sqrt(8 * M_PI * modulus * work * pow(t->s.radius_m, 3));
    if (t->m == &contact_maugis) factor = 1.600734911254091;
    if (t->m == &contact_carpick) factor = carpick_numbers(carpick_alpha(1.0)).pull_off;
    return factor * M_PI * t->sample.work_j_per_m2 * t->s.radius_m;
}

#define FOR_TRIALS(t)                                                                              \
    for (int model_ = 0; model_ < CONTACT_COUNT; model_++)                                         \
        for (double spring_ = 1e-3; spring_ < 2e3; spring_ *= 10)                                  \
            for (struct trial t = make_trial(model_, spring_); t.m; t.m = NULL)

static void test_scales_and_physics_are_inverse(void **unused)
{
    (void)unused;
    FOR_TRIALS(t)
    {
        struct contact_sample back;
        t.m->physics(&t.s, t.length, t.kappa, t.pull_m * t.s.spring_n_per_m, &back);
        assert_close(back.reduced_modulus_pa, t.sample.reduced_modulus_pa, 5e6, 1e-13);
        if (t.m->adhesive) assert_close(back.work_j_per_m2, t.sample.work_j_per_m2, 0.02, 1e-13);
    }
}

/* The lever's curve is the solution of k d = F(x - d). */
static void test_lever_balances_force(void **unused)
{
    (void)unused;
    size_t checked = 0;
    FOR_TRIALS(t)
    {
        for (double x = -20e-9; x < 400e-9; x += 1.7e-9) {
            double d;
            struct contact_state state;
            contact_deflection(t.m, &t.s, &t.sample, &x, 1, &d);
            if (d == 0) continue;
            t.m->state(&t.s, &t.sample, x - d, &state);
            double k = t.s.spring_n_per_m, size = k * fabs(d) + 1e-3 * k * fabs(x);
            if (t.m->adhesive)
                size += M_PI * t.sample.work_j_per_m2 * t.s.radius_m; /* F passes through zero */
            /* a force error by the rounding of d is magnified by the contact stiffness */
            double rounding = 1e-15 * fabs(x) * (state.stiffness_n_per_m + k);
            if (!(fabs(state.force_n - k * d) <= 1e-9 * size + 10 * rounding))
                fail_msg("%s k %g x %g: F %.12g, k d %.12g", t.m->name, k, x, state.force_n, k * d);
            checked++;
        }
    }
    assert_true(checked > 5000);
}

/* value, slope, by ln kappa, by extra */
static void call_lever(const struct trial *t, double kappa, double reduced, double c[4])
{
    struct contact_shape shape = {&t->s, kappa, t->sample.extra};
    struct contact_columns out = {c, c + 1, c + 2, c + 3};
    t->m->lever(&shape, &reduced, 1, &out);
}

static void call_force(const struct trial *t, double reduced, double c[4])
{
    struct contact_shape shape = {&t->s, 1.0, t->sample.extra};
    struct contact_columns out = {c, c + 1, c + 2, c + 3};
    t->m->force(&shape, &reduced, 1, &out);
}

static double force_at(const struct trial *t, double unused, double reduced)
{
    double c[4];
    (void)unused;
    call_force(t, reduced, c);
    return c[0];
}

static double lever_at(const struct trial *t, double ln_kappa, double reduced)
{
    double c[4];
    call_lever(t, exp(ln_kappa), reduced, c);
    return c[0];
}

/* Derivatives against Richardson-extrapolated central differences. */
static double difference(double (*f)(const struct trial *, double, double), const struct trial *t,
                         double a, double b, int which, double h)
{
    double d[2];
    for (int i = 0; i < 2; i++, h /= 2)
        d[i] = which ? (f(t, a, b + h) - f(t, a, b - h)) / (2 * h)
                     : (f(t, a + h, b) - f(t, a - h, b)) / (2 * h);
    return (4 * d[1] - d[0]) / 3;
}

static void test_lever_derivatives(void **unused)
{
    (void)unused;
    FOR_TRIALS(t)
    {
        for (double r = 0.5; r < 1e4; r *= 3) {
            double c[4], ln_kappa = log(t.kappa);
            call_lever(&t, t.kappa, r, c);
            assert_close(c[1], difference(lever_at, &t, ln_kappa, r, 1, 1e-3 * r), c[0] / r + c[1],
                         2e-9);
            if (t.m->free_kappa)
                assert_close(c[2], difference(lever_at, &t, ln_kappa, r, 0, 1e-3),
                             fabs(c[0]) + fabs(c[2]), 2e-9);
        }
    }
}

static void test_force_slope(void **unused)
{
    (void)unused;
    FOR_TRIALS(t)
    {
        for (double u = 0.3; u < 1e4; u *= 3) {
            double c[4];
            call_force(&t, u, c);
            assert_close(c[1], difference(force_at, &t, 0, u, 1, 1e-4 * u), c[1], 1e-8);
        }
    }
}

/* match() finds l and kappa from one point of a curve, for any model. */
static void test_match_meets_the_point(void **unused)
{
    (void)unused;
    FOR_TRIALS(t)
    {
        double x = 150e-9, d, length, kappa;
        contact_deflection(t.m, &t.s, &t.sample, &x, 1, &d);
        double pull_n = t.m->adhesive ? pull_off_of(&t) : 0;
        if (!(d > 1e-3 * x) || !(x - d > 1e-3 * x)) continue;
        t.m->match(&t.s, x, d, pull_n / t.s.spring_n_per_m, &length, &kappa);
        assert_close(length, t.length, t.length, 1e-8);
        assert_close(kappa, t.kappa, t.kappa, 1e-8);
    }
}

/* Without contact nothing pulls or pushes; order of the samples does not matter. */
static void test_order_does_not_matter(void **unused)
{
    (void)unused;
    enum { N = 101 };
    FOR_TRIALS(t)
    {
        double x[N], up[N], down[N], reversed[N];
        for (int i = 0; i < N; i++)
            x[i] = -100e-9 + 3e-9 * i;
        for (int i = 0; i < N; i++)
            reversed[i] = x[N - 1 - i];
        contact_deflection(t.m, &t.s, &t.sample, x, N, up);
        contact_deflection(t.m, &t.s, &t.sample, reversed, N, down);
        if (!t.m->adhesive) assert_true(up[0] == 0);
        for (int i = 0; i < N; i++)
            assert_close(up[i], down[N - 1 - i], 1e-9 + fabs(up[i]), 1e-9);
    }
}

/* Pull-off of a soft lever is load-controlled: the deepest force is F_ad of the theory. */
static void test_soft_lever_pulls_off_at_the_minimum(void **unused)
{
    (void)unused;
    for (int model = 0; model < CONTACT_COUNT; model++) {
        struct trial t = make_trial(model, 1e-3);
        double theory = pull_off_of(&t), lowest = 0, d;
        if (!t.m->adhesive) continue;
        double off = theory / t.s.spring_n_per_m;
        for (double x = -1.1 * off; x < 0; x += off / 20000) {
            contact_deflection(t.m, &t.s, &t.sample, &x, 1, &d);
            lowest = fmin(lowest, t.s.spring_n_per_m * d);
        }
        assert_close(lowest, -theory, theory, 1e-4);
    }
}

static void test_names(void **unused)
{
    (void)unused;
    assert_ptr_equal(contact_find("jkr"), &contact_jkr);
    assert_null(contact_find("JKR"));
    const char first[] = "paraboloid cone pyramid flat_punch dmt jkr ";
    assert_memory_equal(contact_names(), first, strlen(first));
    for (int i = 0; i < CONTACT_COUNT; i++) {
        assert_ptr_equal(contact_find(contact_at(i)->name), contact_at(i));
        assert_true(strlen(contact_at(i)->source) > 10 && strlen(contact_at(i)->limits) > 10);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_paraboloid_table),
        cmocka_unit_test(test_punch_table),
        cmocka_unit_test(test_cone_table),
        cmocka_unit_test(test_pyramid_table),
        cmocka_unit_test(test_pyramid_takes_the_face_angle),
        cmocka_unit_test(test_dmt_table),
        cmocka_unit_test(test_jkr_table),
        cmocka_unit_test(test_jkr_points),
        cmocka_unit_test(test_adhesive_cone_and_punch_table),
        cmocka_unit_test(test_scales_and_physics_are_inverse),
        cmocka_unit_test(test_lever_balances_force),
        cmocka_unit_test(test_lever_derivatives),
        cmocka_unit_test(test_force_slope),
        cmocka_unit_test(test_match_meets_the_point),
        cmocka_unit_test(test_order_does_not_matter),
        cmocka_unit_test(test_soft_lever_pulls_off_at_the_minimum),
        cmocka_unit_test(test_names),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
