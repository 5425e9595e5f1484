/* Viscoelastic contact: the march through time against the closed forms of constant speed
 * (tests/reference/40 and 41, sources in its README), against its own force when the indentation is
 * given, and against elastic contact where nothing relaxes. */
#include "contact/contact.h"
#include "contact/ting.h"
#include "table.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

enum { STEPS = 2000, MOST = 2 * STEPS + 600 };

static double z[MOST], force[MOST], t1[MOST], again[MOST], indent[MOST];

static void test_exponentials(void **unused)
{
    (void)unused;
    const double exponents[] = {-0.19, -0.05, -1e-6, 1e-6, 0.02, 0.1, 0.3, 0.5, 0.8, 0.95};
    const double ratios[] = {10, 1e3, 1e6, 1e8};
    for (int i = 0; i < 10; i++)
        for (int j = 0; j < 4; j++) {
            double rate[TING_TERMS], weight[TING_TERMS], worst = 0, from = 3e-5;
            int terms = ting_exponentials(exponents[i], from, from * ratios[j], rate, weight);
            assert_in_range(terms, 3, TING_TERMS);
            for (double t = from; t <= from * ratios[j]; t *= 1.07) {
                double sum = 0, want = pow(t, -exponents[i]);
                for (int m = 0; m < terms; m++)
                    sum += weight[m] * exp(-rate[m] * t);
                worst = fmax(worst, fabs(sum / want - 1));
            }
            if (!(worst < 1e-8))
                fail_msg("exponent %g, ratio %g: %g with %d terms", exponents[i], ratios[j], worst,
                         terms);
        }
}

/* Triangle in z with `steps` samples up and as many down: approach and retract. */
static struct ting_path triangle(double speed, double rise_s, size_t steps)
{
    double h = rise_s / (double)steps;
    for (size_t i = 0; i <= 2 * steps; i++)
        z[i] = speed * h * (double)(i <= steps ? i : 2 * steps - i);
    return (struct ting_path){.n = 2 * steps + 1,
                              .z_m = z,
                              .parts = 2,
                              .withdraws = true,
                              .first = {0, steps + 1},
                              .step_s = {h, h},
                              .gap_s = {0, h}};
}

struct worst {
    double force, t1;
};

static struct worst against_table(const char *name, enum ting_law law, size_t steps)
{
    struct table t;
    struct worst worst = {0, 0};
    struct ting_work *w = ting_work_new(MOST);
    assert_true(table_read(&t, name));
    assert_int_equal(t.rows, law == TING_POWER_LAW ? 19 : 13);
    for (size_t i = 0; i < t.rows; i++) {
        /* power law: E0, nu, alpha, t0, R, v, tm, t, ...; linear solid: Einf, E1, tau, nu, R, ...
         */
        const double *c = t.cell[i];
        struct ting_solid s = {.law = law, .modulus = c[0], .exponent = c[2], .reference = c[3]};
        if (law == TING_LINEAR_SOLID)
            s = (struct ting_solid){
                .law = law, .modulus = c[0] + c[1], .relaxed = c[0] / (c[0] + c[1]), .time = c[2]};
        double nu = law == TING_POWER_LAW ? c[1] : c[3], h = c[6] / (double)steps;
        struct ting_tip tip = {1.5, 4.0 / 3.0 * sqrt(c[4]) / (1 - nu * nu), 0};
        struct ting_path path = triangle(c[5], c[6], steps);
        struct ting_end end;
        ting_force(&s, &tip, &path, 0.0, w, force, t1, &end);
        size_t at = (size_t)lround(c[7] / h);
        assert_true(fabs((double)at * h - c[7]) < 1e-9 * c[7]);
        assert_int_equal(end.turned, steps + 1);
        if (c[11] == 0) {
            assert_true(force[at] == 0 && t1[at] == 0 && end.lost <= at);
            continue;
        }
        worst.force = fmax(worst.force, fabs(force[at] / c[11] - 1));
        if (t.initial[i][9] == 'r')
            worst.t1 = fmax(worst.t1, fabs(t1[at] - c[10]) / c[6]);
        else
            assert_true(isnan(t1[at]));
    }
    ting_work_free(w);
    return worst;
}

static void test_tables(void **unused)
{
    (void)unused;
    const char *names[] = {"40_viscoelastic_power_law.csv", "41_viscoelastic_sls.csv"};
    for (int law = 0; law < 2; law++) {
        struct worst fine = against_table(names[law], (enum ting_law)law, STEPS);
        struct worst rough = against_table(names[law], (enum ting_law)law, STEPS / 10);
        print_message("%s: 2000 steps %.2g (t1 %.2g), 200 steps %.2g (t1 %.2g)\n", names[law],
                      fine.force, fine.t1, rough.force, rough.t1);
        assert_true(fine.force < 1e-4 && fine.t1 < 1e-4);
    }
}

static const struct ting_solid power = {
    .law = TING_POWER_LAW, .modulus = 1500, .exponent = 0.25, .reference = 1};
static const struct ting_solid linear = {
    .law = TING_LINEAR_SOLID, .modulus = 2500, .relaxed = 0.3, .time = 0.15};

/* With a lever the indentation is found; given that indentation, the force must be the same. */
static void test_lever_agrees_with_given_indentation(void **unused)
{
    (void)unused;
    const struct ting_solid solids[] = {power, linear};
    const double powers[] = {1, 1.5, 2}, factors[] = {7e-6, 2.8e-3, 0.4};
    struct ting_work *w = ting_work_new(MOST);
    for (int i = 0; i < 6; i++) {
        double k = 0.02, contact = 0.3137e-6;
        struct ting_path path = triangle(3e-6, 0.4, 400), given = path;
        struct ting_tip tip = {powers[i / 2], factors[i / 2], 1 / k}, stiff = tip;
        struct ting_end end, end_given;
        ting_force(&solids[i % 2], &tip, &path, contact, w, force, t1, &end);
        assert_true(force[400] > 0 && end.lost < path.n && end.lost > end.turned + 20);
        for (size_t j = 0; j < path.n; j++)
            indent[j] = z[j] - contact - force[j] / k;
        /* where contact began, z itself tells the share of the step */
        double share = (z[end.touched] - contact) / (z[end.touched] - z[end.touched - 1]);
        indent[end.touched - 1] = indent[end.touched] * (share - 1) / share;
        given.z_m = indent;
        stiff.compliance = 0;
        ting_force(&solids[i % 2], &stiff, &given, 0.0, w, again, NULL, &end_given);
        assert_int_equal(end.touched, end_given.touched);
        for (size_t j = 0; j < end.lost; j++)
            if (!(fabs(again[j] - force[j]) <= 1e-9 * force[400]))
                fail_msg("case %d, sample %zu of %zu: %g, %g of %g", i, j, end.lost, again[j],
                         force[j], force[400]);
    }
    ting_work_free(w);
}

/* What does not relax is elastic, on the way in and on the way out. */
static void test_elastic(void **unused)
{
    (void)unused;
    const char *models[] = {"paraboloid", "cone", "flat_punch"};
    struct ting_solid solids[] = {
        {.law = TING_POWER_LAW, .modulus = 2e3, .exponent = 0, .reference = 1},
        {.law = TING_LINEAR_SOLID, .modulus = 2e3, .relaxed = 1, .time = 0.1}};
    struct contact_setup setup = {
        .spring_n_per_m = 0.05, .radius_m = 2.5e-6, .half_angle_rad = 0.4, .face_angle_rad = 0.4};
    struct ting_work *w = ting_work_new(MOST);
    for (int i = 0; i < 6; i++) {
        const struct contact_model *m = contact_find(models[i / 2]);
        struct contact_sample one = {1.0, 0, 0}, sample = {2e3, 0, 0};
        struct contact_state state;
        m->state(&setup, &one, 1.0, &state);
        struct ting_tip tip = {i / 2 == 0   ? 1.5
                               : i / 2 == 1 ? 2.0
                                            : 1.0,
                               state.force_n, 1 / setup.spring_n_per_m};
        struct ting_path path = triangle(1e-6, 1, 300);
        struct ting_end end;
        double contact = 0.4e-6 + 1e-10;
        ting_force(&solids[i % 2], &tip, &path, contact, w, force, t1, &end);
        for (size_t j = 0; j < path.n; j++)
            indent[j] = z[j] - contact;
        contact_deflection(m, &setup, &sample, indent, path.n, again);
        double peak = again[300] * setup.spring_n_per_m;
        for (size_t j = 0; j < path.n; j++)
            if (!(fabs(force[j] - again[j] * setup.spring_n_per_m) < 2e-5 * peak))
                fail_msg("%s, sample %zu: %g, elastic %g", m->name, j, force[j] / peak,
                         again[j] * setup.spring_n_per_m / peak);
    }
    ting_work_free(w);
}

/* Indentation that rises within one step and is held: the force follows E(t) itself. */
static void test_dwell_follows_relaxation(void **unused)
{
    (void)unused;
    const struct ting_solid solids[] = {power, linear};
    struct ting_work *w = ting_work_new(MOST);
    for (int i = 0; i < 2; i++) {
        double rise = 1e-6, h = 1e-3, depth = 200e-9;
        size_t n = 2001;
        for (size_t j = 0; j < n; j++)
            z[j] = j ? depth : 0;
        struct ting_path path = {
            .n = n, .z_m = z, .parts = 2, .first = {0, 2}, .step_s = {rise, h}, .gap_s = {0, h}};
        struct ting_tip tip = {1.5, 3e-3, 0};
        struct ting_end end;
        ting_force(&solids[i], &tip, &path, 0.0, w, force, NULL, &end);
        assert_true(end.turned == n && end.lost == n);
        for (size_t j = 2; j < n; j++) {
            double want = tip.factor * pow(depth, 1.5) *
                          ting_modulus(&solids[i], h * (double)(j - 1) + 0.5 * rise);
            assert_true(fabs(force[j] / want - 1) < 1e-6);
        }
    }
    ting_work_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_exponentials), cmocka_unit_test(test_tables),
        cmocka_unit_test(test_lever_agrees_with_given_indentation), cmocka_unit_test(test_elastic),
        cmocka_unit_test(test_dwell_follows_relaxation)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
