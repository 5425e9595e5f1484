/* Adhesive spheres between DMT and JKR, Tabor's parameter and the two-point method: against
 * independent tables (tests/reference), limits, and each other. */
#include "contact/carpick.h"
#include "contact/maugis.h"
#include "contact/two_point.h"
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

static struct transition_point at(const struct transition *c, double p)
{
    return c->at(c->number, p);
}

/* a, P, delta at m = c/a. */
static void test_maugis_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "14_maugis.csv"));
    assert_int_equal(t.rows, 50);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct transition curve = maugis_of(c[0]);
        double phi = atan(sqrt((c[2] - 1.0) * (c[2] + 1.0))); /* acos(1/m), digits kept */
        struct transition_point got = at(&curve, -log(phi));
        /* m near 1 has lost the digits of phi that a deep contact needs: phi^2 = 2 (m - 1) */
        double rounding = 1e-15 / (c[2] - 1.0);
        assert_close(got.radius, c[1], c[1], 1e-12 + rounding);
        assert_close(got.f, c[3], 1.5 + fabs(c[3]), 1e-12 + 3 * rounding);
        assert_close(got.u, c[4], 1.0 + fabs(c[4]), 1e-12 + 2 * rounding);
    }
}

/* The same through the model, in SI: force at a depth. */
static void test_maugis_force_at_depth(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "14_maugis.csv"));
    struct contact_setup s = {.spring_n_per_m = 1, .radius_m = 30e-9, .transition = NAN};
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct contact_sample sample = {3e9, 0.05, log(c[0])};
        struct contact_state state;
        double force = M_PI * 0.05 * 30e-9, k = 4e9, ratio = M_PI * 0.05 / k;
        contact_maugis.state(&s, &sample, c[4] * cbrt(ratio * ratio * 30e-9), &state);
        assert_close(state.force_n, c[3] * force, force * (1.5 + fabs(c[3])), 1e-10);
        assert_close(state.contact_radius_m, c[1] * cbrt(ratio * 30e-9 * 30e-9),
                     cbrt(ratio * 30e-9 * 30e-9), 1e-10 * c[1]);
    }
}

/* Pull-off under load control, and the point of zero load. */
static void test_maugis_points(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "15_maugis_points.csv"));
    assert_int_equal(t.rows, 5);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct transition curve = maugis_of(c[0]);
        assert_close(transition_pull_off(&curve), -c[3], c[3], 1e-10);
        struct transition_point zero = at(&curve, -log(acos(1.0 / c[6])));
        assert_close(zero.f, 0, c[3], 1e-12);
        assert_close(zero.u, c[5], c[5], 1e-12);
        assert_close(zero.radius, c[4], c[4], 1e-12);
        double f[4], u = c[2];
        struct contact_shape shape = {.kappa = 1, .extra = log(c[0])};
        struct contact_columns out = {f, f + 1, f + 2, f + 3};
        contact_maugis.force(&shape, &u, 1, &out);
        assert_close(f[0], c[3], c[3], 1e-10);
        assert_close(f[1], 0, 1, 1e-6); /* flat there */
    }
}

/* The fits of alpha, and how far they are from the exact sphere. */
static void test_carpick_parameters(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "16_cos_parameters.csv"));
    assert_int_equal(t.rows, 12);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct carpick_numbers n = carpick_numbers(c[0]);
        assert_close(n.a0, c[2], c[2], 1e-13);
        assert_close(n.pull_off, c[3], c[3], 1e-13);
        assert_close(n.pull_off, c[4], c[4], 0.014);
        assert_close(n.a0, c[5], c[5], 0.015);
        if (c[0] == 1) continue; /* lambda = infinity */
        assert_close(carpick_lambda(c[0]), c[1], c[1], 1e-13);
        assert_close(carpick_alpha(c[1]), c[0], 1, 1e-13);
        if (c[0] == 0) continue;
        struct transition exact = maugis_of(c[1]);
        assert_close(transition_pull_off(&exact), c[4], c[4], 1e-12);
        struct transition curve = carpick_of(c[1]);
        assert_close(transition_pull_off(&curve), n.pull_off, n.pull_off, 1e-13);
    }
    assert_true(isinf(carpick_lambda(1.0)));
}

static void test_carpick_curve(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "17_cos_curve.csv"));
    assert_int_equal(t.rows, 30);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        assert_close(carpick_radius(c[0], c[1]), c[2], c[2] + (c[2] == 0), 1e-13);
        if (c[0] >= 1 || c[2] == 0) continue; /* lambda = infinity */
        /* the model's own curve passes through it */
        struct transition curve = carpick_of(carpick_lambda(c[0]));
        struct carpick_numbers n = carpick_numbers(c[0]);
        struct transition_point got = at(&curve, 1.5 * log(c[2]));
        assert_close(got.radius, n.a0 * c[2], n.a0, 1e-12);
        assert_close(got.f, n.pull_off * c[1], n.pull_off, 1e-12 * (2 + c[1]));
    }
}

/* Depth: both limits, alpha = 1 through the numbers, since its lambda is infinite. */
static void test_carpick_limits(void **unused)
{
    (void)unused;
    struct carpick_numbers jkr = carpick_numbers(1.0), dmt = carpick_numbers(0.0);
    assert_close(jkr.share, 2.0 / 3.0, 1, 1e-3);
    assert_close(jkr.exponent, 1.0 / 3.0, 1, 3e-3);
    assert_close(jkr.pull_off, 1.5, 1, 1e-12);
    assert_close(jkr.a0, cbrt(6.0), 1, 3e-3);
    assert_close(dmt.share, 0, 1, 1e-12);
    assert_close(dmt.pull_off, 2.0, 1, 1e-12);
    assert_close(dmt.a0, cbrt(2.0), 1, 5e-3);
    assert_true(carpick_numbers(0.004).share == 0); /* below zero as remembered */
}

/* Error of the interpolated depth, at equal force, against the exact sphere: the coefficients are
 * from memory, so it is measured. Stated in docs/methods.md: 0.15 in units of
 * (pi^2 w^2 R/K^2)^(1/3) up to 10 pi w R. The exponent beta, without 2/3, would be wrong by up to
 * 0.26, and does not reach JKR. */
static void test_carpick_depth_against_maugis(void **unused)
{
    (void)unused;
    double worst = 0;
    for (double alpha = 0.05; alpha < 0.96; alpha += 0.05) {
        struct transition exact = maugis_of(carpick_lambda(alpha)),
                          fit = carpick_of(exact.number[0]);
        double off = transition_pull_off(&exact);
        for (double p = exact.p_low; p < 5; p += 0.002) {
            struct transition_point a = at(&exact, p);
            struct carpick_numbers n = carpick_numbers(alpha);
            if (a.f_p <= 0 || a.f > 10 || a.f < -0.98 * fmin(off, n.pull_off)) continue;
            double q = (alpha + sqrt(1 + a.f / n.pull_off)) / (1 + alpha);
            struct transition_point b = at(&fit, log(q));
            assert_close(b.f, a.f, off, 1e-9);
            worst = fmax(worst, fabs(b.u - a.u));
        }
    }
    print_message("largest depth error of the interpolation: %.3f\n", worst);
    assert_true(worst > 0.05 && worst < 0.15);
}

static void test_tabor_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "18_tabor.csv"));
    assert_int_equal(t.rows, 3);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        double mu = contact_tabor(c[2], c[0] / (1 - c[1] * c[1]), c[3], c[4]);
        assert_close(mu, c[5], c[5], 1e-13);
        assert_close(contact_lambda_per_tabor * mu, c[6], c[6], 1e-13);
    }
}

static void test_two_point_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "12_jkr_points.csv"));
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct two_point got = contact_two_point(c[2], -c[7], c[9], c[6]);
        assert_close(got.big_k_pa, c[15], c[15], 1e-12);
        assert_close(got.reduced_modulus_pa, c[4], c[4], 1e-12);
        assert_close(got.work_j_per_m2, c[16], c[16], 1e-12);
    }
    assert_true(isnan(contact_two_point(1e-6, 1e-9, 1e-9, 2e-9).big_k_pa));
}

/* The factor 1.27 belongs to K = 4/3 E*: taken for E* it would be 33 % too high. */
static void test_two_point_factor_belongs_to_k(void **unused)
{
    (void)unused;
    assert_close(two_point_factor, pow((1 + cbrt(16.0)) / 3, 1.5), 1, 1e-15);
    struct contact_setup s = {.spring_n_per_m = 1, .radius_m = 1e-7};
    struct contact_sample sample = {3e6, 0.05, 0};
    double a0 = cbrt(6 * M_PI * 0.05 * 1e-14 / 4e6), l = a0 * a0 / 1e-7;
    double zero = l / 3, pull = l * (pow(0.5, 4.0 / 3.0) - 2.0 / 3.0 * cbrt(0.5));
    struct contact_state state;
    contact_jkr.state(&s, &sample, pull, &state);
    struct two_point got = contact_two_point(1e-7, -state.force_n, zero, pull);
    assert_close(got.reduced_modulus_pa, 3e6, 3e6, 1e-9);
    assert_close(got.big_k_pa / sample.reduced_modulus_pa, 4.0 / 3.0, 1, 1e-9);
}

static double deflection(const struct contact_model *m, double spring, double extra, double x)
{
    struct contact_setup s = {.spring_n_per_m = spring, .radius_m = 50e-9, .transition = NAN};
    struct contact_sample sample = {5e6, 0.02, extra};
    double d;
    contact_deflection(m, &s, &sample, &x, 1, &d);
    return d;
}

/* lambda large: JKR, lambda small: DMT; the way to JKR goes as 1/lambda^2. */
static void test_maugis_limits(void **unused)
{
    (void)unused;
    for (double k = 1e-3; k < 2e2; k *= 10) {
        double size = 2 * M_PI * 0.02 * 50e-9 / k;
        for (double x = 20e-9; x < 300e-9; x += 20e-9) {
            double jkr = deflection(&contact_jkr, k, 0, x), dmt = deflection(&contact_dmt, k, 0, x);
            assert_close(deflection(&contact_maugis, k, log(1e3), x), jkr, size, 2e-3);
            /* depth moves as sqrt(lambda) l */
            double at4 = deflection(&contact_maugis, k, log(1e-4), x) - dmt;
            double at6 = deflection(&contact_maugis, k, log(1e-6), x) - dmt;
            assert_close(at4, 0, 1.6e-8, 0.02);
            assert_close(at6, 0.1 * at4, 1.6e-8, 1e-3);
            double far = deflection(&contact_maugis, k, log(20.0), x) - jkr;
            double near = deflection(&contact_maugis, k, log(200.0), x) - jkr;
            assert_close(near, 0.01 * far, fabs(far) + 1e-9 * size, 1e-3);
        }
    }
}

static void lever_at(const struct contact_model *m, double lambda, double kappa, double t,
                     double c[4])
{
    struct contact_shape shape = {.kappa = kappa, .extra = log(lambda)};
    struct contact_columns out = {c, c + 1, c + 2, c + 3};
    m->lever(&shape, &t, 1, &out);
}

/* Derivatives by t, ln kappa, ln lambda and u, against Richardson differences of the values. */
static void test_derivatives(void **unused)
{
    (void)unused;
    const struct contact_model *models[] = {&contact_maugis, &contact_carpick};
    const double h0 = 2e-3;
    for (int i = 0; i < 2; i++)
        for (double lambda = 0.011; lambda < 20; lambda *= 2.1)
            for (double kappa = 1e-5; kappa < 1e8; kappa *= 10)
                for (double t = 0.8; t < 1e5; t *= 4) {
                    double c[4], up[4], down[4], d[3][2], scale = t + 0.1 * kappa;
                    lever_at(models[i], lambda, kappa, t, c);
                    for (int j = 0; j < 3; j++)
                        for (int r = 0; r < 2; r++) {
                            double h = r ? h0 / 2 : h0, g = exp(h);
                            lever_at(models[i], j == 2 ? lambda * g : lambda,
                                     j == 1 ? kappa * g : kappa, j == 0 ? t + h * scale : t, up);
                            lever_at(models[i], j == 2 ? lambda / g : lambda,
                                     j == 1 ? kappa / g : kappa, j == 0 ? t - h * scale : t, down);
                            d[j][r] = (up[0] - down[0]) / (2 * h) / (j == 0 ? scale : 1);
                        }
                    double size = fabs(c[0]) / t + c[1];
                    assert_close(c[1], (4 * d[0][1] - d[0][0]) / 3, size, 2e-7);
                    size = fabs(c[0]) + t * c[1] + fmin(kappa, t);
                    assert_close(c[2], (4 * d[1][1] - d[1][0]) / 3, size, 2e-8);
                    assert_close(c[3], (4 * d[2][1] - d[2][0]) / 3, size, 2e-8);
                }
}

/* by_extra of the force: the value moves with it. */
static void test_force_by_extra(void **unused)
{
    (void)unused;
    const struct contact_model *models[] = {&contact_maugis, &contact_carpick};
    for (int i = 0; i < 2; i++)
        for (double lambda = 0.011; lambda < 20; lambda *= 1.7)
            for (double u = 0.5; u < 1e4; u *= 3) {
                double f[3][4];
                for (int j = 0; j < 3; j++) {
                    struct contact_shape shape = {.kappa = 1,
                                                  .extra = log(lambda) + 1e-4 * (j - 1)};
                    struct contact_columns out = {f[j], f[j] + 1, f[j] + 2, f[j] + 3};
                    models[i]->force(&shape, &u, 1, &out);
                }
                assert_close(f[1][3], (f[2][0] - f[0][0]) / 2e-4, 1 + fabs(f[1][0]), 1e-7);
            }
}

/* What the search relies on: on the stable branch t rises and is convex in p, for any lever. */
static void test_branch_is_convex(void **unused)
{
    (void)unused;
    for (int i = 0; i < 2; i++)
        for (double lambda = 0.01; lambda < 1.1e3; lambda *= 1.5)
            for (double share = 0; share <= 1; share += 0.0625) {
                struct transition c = i ? carpick_of(lambda) : maugis_of(lambda);
                double was = -INFINITY;
                int up = 0;
                for (double p = fmax(c.p_low, -20); p < 10; p += 0.02) {
                    struct transition_point q = at(&c, p);
                    double slope = (1 - share) * q.u_p + share * q.f_p;
                    if (up) assert_true(slope >= was * (1 - 1e-9));
                    if (slope > 0) up = 1;
                    was = slope;
                }
                assert_true(up);
            }
}

/* The lever jumps where dF/d delta = -k, or where the contact has shrunk to nothing. */
static void test_the_branch_ends_at_the_fold(void **unused)
{
    (void)unused;
    const struct contact_model *models[] = {&contact_maugis, &contact_carpick};
    size_t folds = 0;
    for (int i = 0; i < 2; i++)
        for (double lambda = 0.011; lambda < 20; lambda *= 2)
            for (double k = 1e-3; k < 2e3; k *= 10) {
                struct contact_setup s = {
                    .spring_n_per_m = k, .radius_m = 50e-9, .transition = NAN};
                struct contact_sample sample = {5e6, 0.02, log(lambda)};
                double low = -1e-5, high = 0, d;
                for (int j = 0; j < 100; j++) { /* the last x in contact */
                    double x = 0.5 * (low + high);
                    contact_deflection(models[i], &s, &sample, &x, 1, &d);
                    if (d == 0)
                        low = x;
                    else
                        high = x;
                }
                contact_deflection(models[i], &s, &sample, &high, 1, &d);
                assert_true(d < 0);
                double b[2], depth = high - d;
                struct contact_state state;
                for (int j = 0; j < 2; j++) {
                    models[i]->state(&s, &sample, depth + (j + 1) * 1e-16, &state);
                    b[j] = state.stiffness_n_per_m;
                }
                bool at_nothing = state.contact_radius_m < 2e-3 * sqrt(50e-9 * 1e-9);
                if (!at_nothing) assert_true(b[0] < 0.0 && b[0] < b[1]), folds++;
            }
    assert_true(folds > 40);
}

/* Where the branch begins: lever() is level before it and not after it; derivatives against
 * central differences. */
static void test_branch_end(void **unused)
{
    (void)unused;
    const struct contact_model *models[] = {&contact_maugis, &contact_carpick};
    const double h = 1e-5, kappas[] = {0.0, 0.03, 1.0, 30.0}, lambdas[] = {0.05, 0.5, 5.0};
    for (int i = 0; i < 24; i++) {
        const struct contact_model *m = models[i / 12];
        struct contact_shape s = {.kappa = kappas[i / 3 % 4], .extra = log(lambdas[i % 3])},
                             near = s;
        struct contact_branch_end end, a, b;
        m->branch_end(&s, &end);
        near.extra = s.extra - h, m->branch_end(&near, &a);
        near.extra = s.extra + h, m->branch_end(&near, &b);
        assert_close((b.t - a.t) / (2 * h), end.by_extra, 1 + fabs(end.by_extra), 1e-6);
        near = s;
        near.kappa = s.kappa * exp(-h), m->branch_end(&near, &a);
        near.kappa = s.kappa * exp(h), m->branch_end(&near, &b);
        assert_close((b.t - a.t) / (2 * h), end.by_lnkappa, 1 + fabs(end.by_lnkappa), 1e-6);
        double t[2] = {end.t - 1e-6, end.t + 1e-6}, v[2], slope[2], by_lnkappa[2], by_extra[2];
        struct contact_columns out = {v, slope, by_lnkappa, by_extra};
        (s.kappa > 0 ? m->lever : m->force)(&s, t, 2, &out);
        assert_true(slope[0] == 0);
        assert_true(slope[1] != 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_maugis_table),
        cmocka_unit_test(test_maugis_force_at_depth),
        cmocka_unit_test(test_maugis_points),
        cmocka_unit_test(test_carpick_parameters),
        cmocka_unit_test(test_carpick_curve),
        cmocka_unit_test(test_carpick_limits),
        cmocka_unit_test(test_carpick_depth_against_maugis),
        cmocka_unit_test(test_tabor_table),
        cmocka_unit_test(test_two_point_table),
        cmocka_unit_test(test_two_point_factor_belongs_to_k),
        cmocka_unit_test(test_maugis_limits),
        cmocka_unit_test(test_derivatives),
        cmocka_unit_test(test_force_by_extra),
        cmocka_unit_test(test_branch_is_convex),
        cmocka_unit_test(test_the_branch_ends_at_the_fold),
        cmocka_unit_test(test_branch_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
