/* Chains under tension against tables made with 40-digit arithmetic (tests/reference/80, 81;
 * sources in its README), and the lever that pulls on one against its own balance. */
#include "contact/chain.h"
#include "contact/contact.h"
#include "curve/tethers.h"
#include "table.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#undef fail
#include <cmocka.h>

static void near(double got, double want, double scale, double tolerance)
{
    if (!(fabs(got - want) <= tolerance * fabs(scale)))
        fail_msg("got %.17g, want %.17g, %.3g of %.3g", got, want, got - want, scale);
}

static void worm_like_chain_table(void **unused)
{
    struct table t;
    (void)unused;
    assert_true(table_read(&t, "80_wlc.csv"));
    assert_int_equal(t.rows, 11);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct chain chain = {CHAIN_WLC, c[0], c[2], c[1], INFINITY};
        double slope, h = 1e-5 * c[3];
        near(chain_marko_siggia_force(&chain, c[3]), c[5], c[5], 1e-12);
        double force = chain_wlc_force(&chain, c[3], &slope);
        near(force, c[6], c[6], 1e-12);
        near(force, c[7], c[7], 4e-3); /* the exact chain */
        double difference = (chain_wlc_force(&chain, c[3] + h, NULL) -
                             chain_wlc_force(&chain, c[3] - h, NULL)) /
                            (2 * h);
        near(slope, difference, difference, 1e-6);
    }
}

static void freely_jointed_chain_table(void **unused)
{
    struct table t;
    (void)unused;
    assert_true(table_read(&t, "81_fjc.csv"));
    assert_int_equal(t.rows, 6);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct chain chain = {CHAIN_FJC, c[0], c[2], c[1], INFINITY};
        double slope, h = 1e-5 * c[4];
        near(chain_fjc_extension(&chain, c[4], &slope, NULL), c[5], c[5], 1e-12);
        double difference = (chain_fjc_extension(&chain, c[4] + h, NULL, NULL) -
                             chain_fjc_extension(&chain, c[4] - h, NULL, NULL)) /
                            (2 * h);
        near(slope, difference, difference, 1e-6);
        chain.stretch_n = c[3];
        near(chain_fjc_extension(&chain, c[4], NULL, NULL), c[6], c[6], 1e-12);
    }
}

/* The series below s = 0.1 and the closed form above it meet. */
static void small_forces(void **unused)
{
    (void)unused;
    struct chain c = {CHAIN_FJC, 300, 1, BOLTZMANN_J_PER_K * 300, INFINITY}; /* s = F in numbers */
    double below, above, b = chain_fjc_extension(&c, 0.1 - 1e-12, &below, NULL),
                         a = chain_fjc_extension(&c, 0.1 + 1e-12, &above, NULL);
    near(b, a, a, 1e-10);
    near(below, above, above, 1e-11);
    near(chain_fjc_extension(&c, 1e-9, &below, NULL), 1e-9 / 3, 1e-9, 1e-13);
}

static struct chain chain_of(int kind, double ln_unit, double ln_length)
{
    return (struct chain){kind ? CHAIN_FJC : CHAIN_WLC, 298.15, exp(ln_length), exp(ln_unit),
                          INFINITY};
}

static void lever_and_chain_balance(void **unused)
{
    const double h = 1e-5, u = log(0.5e-9), l = log(200e-9);
    (void)unused;
    for (int kind = 0; kind < 2; kind++)
        for (double k = 1e-3; k < 2; k *= 10)
            for (double x0 = 5e-9; x0 < 300e-9; x0 += 23e-9) {
                struct chain c = chain_of(kind, u, l);
                struct chain_point at = chain_at(&c, k, x0);
                double x = x0 + at.deflection_m, d = at.deflection_m;
                near(at.force_n, -k * d, k * d, 1e-14);
                if (kind)
                    near(chain_fjc_extension(&c, at.force_n, NULL, NULL), x, x, 1e-9);
                else
                    near(chain_wlc_force(&c, x, NULL), at.force_n, at.force_n, 1e-7);
                struct chain more = chain_of(kind, u + h, l), less = chain_of(kind, u - h, l);
                near(at.by_ln_unit,
                     (chain_at(&more, k, x0).deflection_m - chain_at(&less, k, x0).deflection_m) /
                         (2 * h),
                     d, 1e-5);
                more = chain_of(kind, u, l + h), less = chain_of(kind, u, l - h);
                near(at.by_ln_length,
                     (chain_at(&more, k, x0).deflection_m - chain_at(&less, k, x0).deflection_m) /
                         (2 * h),
                     fabs(d) + fabs(at.by_ln_length), 1e-5);
                double step = 1e-5 * x0, by = (chain_at(&c, k, x0 + step).deflection_m -
                                               chain_at(&c, k, x0 - step).deflection_m) /
                                              (2 * step);
                near(at.by_rest, by, 1, 1e-5);
            }
    struct chain c = chain_of(0, u, l);
    assert_true(chain_at(&c, 0.1, -1e-9).force_n == 0);
}

/* Independent places (correlation 0) have a closed answer: Q(t) of each. The approximation is one
 * for neighbours that hang together, so it may be off, but not by much. */
static void threshold_follows_its_rate(void **unused)
{
    (void)unused;
    double t = tethers_threshold(0.05, 1000, 0.0);
    near(t, 3.88, 1, 0.15); /* 1 - (1 - Q(t))^1000 = 0.05 at t = 3.884 (SciPy) */
    assert_true(tethers_threshold(0.01, 1000, 0.8) > tethers_threshold(0.05, 1000, 0.8));
    assert_true(tethers_threshold(0.05, 4000, 0.8) > tethers_threshold(0.05, 1000, 0.8));
    assert_true(tethers_threshold(0.05, 1000, 0.9) < tethers_threshold(0.05, 1000, 0.5));
}

/* d f / d extra and d y / d extra of the brush against differences; the common suite has none. */
static void brush_by_its_further_number(void **unused)
{
    const double h = 1e-5;
    (void)unused;
    struct contact_setup s = {.spring_n_per_m = 0.03,
                              .radius_m = 2.5e-6,
                              .brush_density_per_m2 = 3e14,
                              .transition = NAN};
    for (double extra = -9; extra < 1; extra += 1.3)
        for (double t = 1e-6; t < 10; t *= 5)
            for (int lever = 0; lever < 2; lever++) {
                double v[3][4];
                for (int i = 0; i < 3; i++) {
                    struct contact_shape shape = {&s, 1.0, extra + (i - 1) * h};
                    struct contact_columns out = {v[i], v[i] + 1, v[i] + 2, v[i] + 3};
                    (lever ? contact_brush.lever : contact_brush.force)(&shape, &t, 1, &out);
                }
                near(v[1][3], (v[2][0] - v[0][0]) / (2 * h), fabs(v[1][3]) + v[1][0], 1e-5);
            }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(worm_like_chain_table),
        cmocka_unit_test(freely_jointed_chain_table),
        cmocka_unit_test(small_forces),
        cmocka_unit_test(lever_and_chain_balance),
        cmocka_unit_test(threshold_follows_its_rate),
        cmocka_unit_test(brush_by_its_further_number),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
