/* Layers of finite thickness: the exact solution against independent tables (tests/reference,
 * sources in its README), against what mechanics demands of it, and the published series against
 * their formulas; the traps of their signs and coefficients. */
#include "contact/contact.h"
#include "contact/layer_equation.h"
#include "contact/layer_series.h"
#include "table.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static void assert_close(double got, double want, double tolerance)
{
    if (!(fabs(got - want) <= tolerance * fabs(want)))
        fail_msg("got %.17g, want %.17g, differ by %.3g", got, want, got / want - 1);
}

static struct layer *layer_of(enum layer_shape shape, bool sliding, double nu)
{
    struct layer *layer;
    struct report rep;
    assert_int_equal(layer_new(shape, sliding, nu, &layer, &rep), ST_OK);
    return layer;
}

static double ratio_at(const struct layer *layer, double chi)
{
    double slope;
    return layer_ratio(layer, chi, &slope);
}

/* columns: shape, base */
static enum layer_shape shape_in(const struct table *t, size_t row)
{
    char c = t->initial[row][0];
    return c == 's' ? LAYER_SPHERE : c == 'c' ? LAYER_CONE : LAYER_PUNCH;
}

static bool sliding_in(const struct table *t, size_t row, int column)
{
    assert_true(t->initial[row][column] == 'b' || t->initial[row][column] == 'f');
    return t->initial[row][column] == 'f';
}

static void test_exact_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "23_thickness_exact.csv"));
    assert_int_equal(t.rows, 108);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct layer *layer = layer_of(shape_in(&t, i), sliding_in(&t, i, 1), c[2]);
        assert_close(ratio_at(layer, c[3]), c[5], 2e-12);
        assert_close(layer_contact(layer, c[3]), c[4], 2e-12);
        layer_free(layer);
    }
}

/* The first Taylor coefficients, from an interpolating polynomial in chi near zero. */
static void taylor(const struct layer *layer, double step, double c[3])
{
    enum { N = 9 };
    double table[N], power[N] = {1}, value[N] = {0};
    for (int i = 0; i < N; i++)
        table[i] = ratio_at(layer, i * step);
    for (int k = 1; k < N; k++) /* divided differences */
        for (int i = N - 1; i >= k; i--)
            table[i] = (table[i] - table[i - 1]) / (k * step);
    for (int k = 0; k < N; k++) { /* Newton's form to powers */
        for (int j = 0; j <= k; j++)
            value[j] += table[k] * power[j];
        for (int j = k + 1; j > 0 && j < N; j--)
            power[j] = power[j - 1] - k * step * power[j];
        power[0] *= -k * step;
    }
    for (int j = 0; j < 3; j++)
        c[j] = value[j + 1];
}

static void test_taylor_coefficients(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "24_thickness_exact_series.csv"));
    assert_int_equal(t.rows, 12);
    for (size_t i = 0; i < t.rows; i++) {
        const double *want = t.cell[i] + 3;
        struct layer *layer = layer_of(shape_in(&t, i), sliding_in(&t, i, 1), t.cell[i][2]);
        double c[3], slope;
        taylor(layer, 0.01, c);
        layer_ratio(layer, 0, &slope);
        assert_close(slope, want[0], 1e-9);
        assert_close(c[0], want[0], 1e-8);
        assert_close(c[1], want[1], 1e-6);
        assert_close(c[2], want[2], 1e-4);
        layer_free(layer);
    }
}

/* First order knows neither the shape (only a/h counts) nor, on a sliding base, Poisson's ratio: it
 * is (2/pi) int (1 - L) du for the paraboloid and the punch, with chi = (pi/2) a/h for the cone. */
static void test_first_order(void **unused)
{
    (void)unused;
    for (int sliding = 0; sliding < 2; sliding++)
        for (double nu = -0.5; nu < 0.51; nu += 0.25) {
            double sum = 0, step = 1e-3, slope[3];
            for (double u = 0.5 * step; u < 30; u += step)
                sum += layer_softening(sliding, nu, u) * step;
            for (int shape = 0; shape < 3; shape++) {
                struct layer *layer = layer_of((enum layer_shape)shape, sliding, nu);
                layer_ratio(layer, 0, &slope[shape]);
                layer_free(layer);
            }
            assert_close(slope[LAYER_SPHERE], M_2_PI * sum, 1e-6);
            assert_close(slope[LAYER_PUNCH], M_2_PI * sum, 1e-6);
            assert_close(slope[LAYER_CONE], M_2_PI * M_2_PI * sum, 1e-6);
        }
}

/* A contact that grows by da adds a ring without load: dF/d(delta) is the stiffness of a flat punch
 * of the same radius. This ties three separately computed functions together over the whole range.
 */
static void test_stiffness_is_the_punch(void **unused)
{
    (void)unused;
    const double nu[] = {0.5, 0.45, 0.2, -0.3};
    for (int i = 0; i < 8; i++) {
        struct layer *punch = layer_of(LAYER_PUNCH, i % 2, nu[i / 2]);
        struct layer *sphere = layer_of(LAYER_SPHERE, i % 2, nu[i / 2]);
        struct layer *cone = layer_of(LAYER_CONE, i % 2, nu[i / 2]);
        for (double chi = 0.01; chi < 3; chi *= 1.3) {
            double slope, g = layer_ratio(sphere, chi, &slope), a = layer_contact(sphere, chi);
            if (a > LAYER_CHI_MAX) break;
            assert_close(2 * chi * (g + chi * slope / 3), 2 * a * ratio_at(punch, a), 1e-9);
        }
        for (double chi = 0.01; chi < 3; chi *= 1.3) {
            double slope, g = layer_ratio(cone, chi, &slope), a = layer_contact(cone, chi);
            if (a > LAYER_CHI_MAX) break;
            assert_close(M_2_PI * chi * (2 * g + chi * slope), 2 * a * ratio_at(punch, a), 1e-9);
        }
        layer_free(punch);
        layer_free(sphere);
        layer_free(cone);
    }
}

/* The spline between its knots, and the continuation. */
static void test_smooth(void **unused)
{
    (void)unused;
    for (int i = 0; i < 12; i++) {
        struct layer *layer = layer_of((enum layer_shape)(i % 3), i / 3 % 2, i < 6 ? 0.5 : 0.1);
        for (double chi = 0.003; chi < 12; chi += 0.0371) {
            double h = 1e-3 * chi, slope, d[2];
            layer_ratio(layer, chi, &slope);
            for (int j = 0; j < 2; j++, h /= 2)
                d[j] = (ratio_at(layer, chi + h) - ratio_at(layer, chi - h)) / (2 * h);
            if (fabs(chi - LAYER_CHI_MAX) > 0.05) assert_close((4 * d[1] - d[0]) / 3, slope, 1e-7);
            assert_true(slope > 0);
        }
        double below, above, g = layer_ratio(layer, LAYER_CHI_MAX * (1 - 1e-12), &below);
        assert_close(layer_ratio(layer, LAYER_CHI_MAX * (1 + 1e-12), &above), g, 1e-10);
        assert_close(above, below, 1e-9);
        layer_free(layer);
    }
}

/* The table is what the equation says, between the nodes of the reference as well. */
static void test_equation(void **unused)
{
    (void)unused;
    for (int shape = 0; shape < 3; shape++)
        for (int i = 0; i < 4; i++) {
            bool sliding = i % 2;
            double nu = i < 2 ? 0.5 : 0.33;
            struct layer *layer = layer_of((enum layer_shape)shape, sliding, nu);
            struct layer_equation *equation = layer_equation_new(sliding, nu);
            for (double alpha = 0.013; alpha < 6; alpha *= 1.17) {
                double chi, ratio;
                layer_equation_solve(equation, (enum layer_shape)shape, alpha, &chi, &ratio);
                chi *= alpha;
                if (!(chi < LAYER_CHI_MAX)) break;
                assert_close(ratio_at(layer, chi), ratio, 1e-10);
                assert_close(layer_contact(layer, chi), alpha, 1e-10);
            }
            layer_equation_free(equation);
            layer_free(layer);
        }
}

/* --- models --- */

static struct contact_setup setup_of(const struct contact_model *m, double nu, bool sliding)
{
    struct report rep;
    struct contact_setup s = {.spring_n_per_m = 0.1,
                              .radius_m = 5e-6,
                              .half_angle_rad = 0.6,
                              .thickness_m = 2e-6,
                              .poisson_ratio = nu,
                              .sliding_base = sliding};
    assert_int_equal(contact_prepare(m, &s, &rep), ST_OK);
    assert_true(contact_is_prepared(m, &s));
    return s;
}

/* F over that of the model of a thick sample, at chi. */
static double model_ratio(const struct contact_model *m, const struct contact_setup *s, double chi)
{
    const struct contact_model *thick[] = {&contact_paraboloid, &contact_cone, &contact_flat_punch};
    struct contact_sample sample = {3e3, NAN, 0};
    struct contact_state on, off;
    double depth = m->layer_shape == LAYER_SPHERE ? pow(chi * s->thickness_m, 2) / s->radius_m
                   : m->layer_shape == LAYER_CONE ? chi * s->thickness_m / tan(s->half_angle_rad)
                                                  : 1e-7;
    if (m->layer_shape != LAYER_PUNCH) assert_close(m->layer_ratio(s, depth), chi, 1e-13);
    m->state(s, &sample, depth, &on);
    thick[m->layer_shape]->state(s, &sample, depth, &off);
    return on.force_n / off.force_n;
}

static void test_models_are_the_table(void **unused)
{
    (void)unused;
    struct table t;
    const struct contact_model *models[] = {&contact_layer_sphere, &contact_layer_cone,
                                            &contact_layer_punch};
    assert_true(table_read(&t, "23_thickness_exact.csv"));
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        const struct contact_model *m = models[shape_in(&t, i)];
        struct contact_setup s = setup_of(m, c[2], sliding_in(&t, i, 1));
        if (shape_in(&t, i) == LAYER_PUNCH) s.thickness_m = s.radius_m / c[3];
        assert_close(model_ratio(m, &s, c[3]), c[5], 2e-12);
        contact_release(&s);
        assert_null(s.layer);
    }
}

static void test_dimitriadis_table(void **unused)
{
    (void)unused;
    struct table t;
    assert_true(table_read(&t, "20_thickness_dimitriadis.csv"));
    assert_int_equal(t.rows, 35);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        const struct contact_model *m = &contact_layer_sphere_dimitriadis;
        struct contact_setup s = setup_of(m, c[1], sliding_in(&t, i, 0));
        assert_close(model_ratio(m, &s, c[4]), c[5], 1e-13);
    }
}

static void test_rounded_series_tables(void **unused)
{
    (void)unused;
    struct table t;
    struct contact_setup s = setup_of(&contact_layer_sphere_garcia, 0.5, false);
    assert_true(table_read(&t, "21_thickness_series_sphere.csv"));
    for (size_t i = 0; i < t.rows; i++)
        assert_close(model_ratio(&contact_layer_sphere_garcia, &s, t.cell[i][1]), t.cell[i][3],
                     1e-13);
    assert_true(table_read(&t, "22_thickness_series_cone.csv"));
    for (size_t i = 0; i < t.rows; i++) {
        assert_close(model_ratio(&contact_layer_cone_gavara, &s, t.cell[i][1]), t.cell[i][3],
                     1e-13);
        assert_close(model_ratio(&contact_layer_cone_garcia, &s, t.cell[i][1]), t.cell[i][4],
                     1e-13);
    }
}

/* The errors that docs/methods.md and the models' limits state, in percent. */
static void test_stated_errors(void **unused)
{
    (void)unused;
    const struct {
        const struct contact_model *series, *exact;
        bool sliding;
        double nu, chi, percent;
    } rows[] = {{&contact_layer_sphere_dimitriadis, &contact_layer_sphere, false, 0.5, 0.1, -0.20},
                {&contact_layer_sphere_dimitriadis, &contact_layer_sphere, false, 0.5, 0.2, -1.08},
                {&contact_layer_sphere_dimitriadis, &contact_layer_sphere, false, 0.5, 0.5, -8.29},
                {&contact_layer_sphere_dimitriadis, &contact_layer_sphere, false, 0.5, 1.0, -20.08},
                {&contact_layer_sphere_dimitriadis, &contact_layer_sphere, false, 0.3, 0.5, -4.23},
                {&contact_layer_sphere_dimitriadis, &contact_layer_sphere, true, 0.5, 0.5, 7.57},
                {&contact_layer_sphere_garcia, &contact_layer_sphere, false, 0.5, 0.2, 0.12},
                {&contact_layer_sphere_garcia, &contact_layer_sphere, false, 0.5, 0.5, 0.71},
                {&contact_layer_sphere_garcia, &contact_layer_sphere, false, 0.5, 0.8, 6.44},
                {&contact_layer_sphere_garcia, &contact_layer_sphere, false, 0.5, 1.0, 14.44},
                {&contact_layer_cone_garcia, &contact_layer_cone, false, 0.5, 0.8, -0.12},
                {&contact_layer_cone_garcia, &contact_layer_cone, false, 0.5, 1.0, 1.40},
                {&contact_layer_cone_gavara, &contact_layer_cone, false, 0.5, 0.2, -0.73},
                {&contact_layer_cone_gavara, &contact_layer_cone, false, 0.5, 0.5, -6.85},
                {&contact_layer_cone_gavara, &contact_layer_cone, false, 0.5, 1.0, -26.38},
                {&contact_layer_cone_gavara, &contact_layer_cone, false, 0.3, 0.5, -3.10}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct contact_setup s = setup_of(rows[i].exact, rows[i].nu, rows[i].sliding);
        double ratio = model_ratio(rows[i].series, &s, rows[i].chi) /
                       model_ratio(rows[i].exact, &s, rows[i].chi);
        assert_close(ratio, 1 + rows[i].percent / 100, 6e-5);
        contact_release(&s);
    }
}

/* Force grows with depth for every series, base and Poisson's ratio, also where it ends. */
static void test_series_do_not_turn(void **unused)
{
    (void)unused;
    for (double nu = -0.9; nu <= 0.5; nu += 0.05)
        for (int sliding = 0; sliding < 2; sliding++) {
            double c[2][SERIES_ORDER];
            series_dimitriadis(sliding, nu, c[0]);
            series_gavara_cone(sliding, nu, c[1]);
            for (int i = 0; i < 2; i++)
                for (double chi = 0.01; chi < 30; chi *= 1.05) {
                    double slope, g = series_ratio(c[i], chi, &slope);
                    assert_true(g > 0 && (3 - i) * g + chi * slope > 0);
                }
        }
}

/* --- traps --- */

/* Bonded, nu = 0.5: the exact second coefficient of a paraboloid is 7/6 of the first one's square
 * (which is right for a punch); one remembered series has it, the other one does not. */
static void test_trap_second_order(void **unused)
{
    (void)unused;
    struct layer *sphere = layer_of(LAYER_SPHERE, false, 0.5);
    struct layer *punch = layer_of(LAYER_PUNCH, false, 0.5);
    double exact[3], flat[3], c[SERIES_ORDER], garcia[SERIES_ORDER];
    taylor(sphere, 0.03, exact);
    taylor(punch, 0.03, flat);
    series_dimitriadis(false, 0.5, c);
    series_garcia_sphere(garcia);
    assert_close(exact[1] / (exact[0] * exact[0]), 7.0 / 6.0, 1e-5);
    assert_close(flat[1] / (flat[0] * flat[0]), 1.0, 1e-5);
    assert_close(c[1] / (c[0] * c[0]), 1.0, 1e-12);
    assert_close(garcia[1] / (garcia[0] * garcia[0]), 7.0 / 6.0, 1e-3);
    struct contact_setup s = setup_of(&contact_layer_sphere, 0.5, false);
    const double chi[] = {0.2, 0.5, 0.8}, error[] = {-0.0108, -0.0829, -0.1645};
    for (int i = 0; i < 3; i++)
        assert_close(model_ratio(&contact_layer_sphere_dimitriadis, &s, chi[i]) /
                             ratio_at(sphere, chi[i]) -
                         1,
                     error[i], 0.005);
    contact_release(&s);
    layer_free(sphere);
    layer_free(punch);
}

/* Ours is the general formula: its last term is negative for a bonded base and nu = 0.5, the
 * printed rounded series has it positive. */
static void test_trap_sign_of_the_last_term(void **unused)
{
    (void)unused;
    struct table t;
    double c[SERIES_ORDER], slope;
    series_dimitriadis(false, 0.5, c);
    assert_close(c[3], -0.0974, 1e-3);
    assert_true(table_read(&t, "21_thickness_series_sphere.csv"));
    for (size_t i = 0; i < t.rows; i++) {
        double chi = t.cell[i][1], printed = t.cell[i][2], ours = series_ratio(c, chi, &slope);
        if (chi > 0.25) /* below, the rounding of the other coefficients is seen */
            assert_close(printed - ours, 0.195 * pow(chi, 4), 0.01);
    }
    /* a sliding base does not know Poisson's ratio to first order; the series does */
    struct layer *layer = layer_of(LAYER_SPHERE, true, 0.5);
    layer_ratio(layer, 0, &slope);
    series_dimitriadis(true, 0.5, c);
    assert_close(slope, 0.7433, 1e-4);
    assert_close(c[0], 0.884, 1e-3);
    layer_free(layer);
}

/* The cone's first-order coefficient as remembered is half of the exact one; ours is not. */
static void test_trap_cone(void **unused)
{
    (void)unused;
    struct table t;
    struct layer *layer = layer_of(LAYER_CONE, false, 0.5);
    double c[SERIES_ORDER], slope;
    layer_ratio(layer, 0, &slope);
    series_gavara_cone(false, 0.5, c);
    assert_close(slope, 0.71744, 1e-5);
    assert_close(c[0], slope, 0.006);
    assert_true(table_read(&t, "22_thickness_series_cone.csv"));
    for (size_t i = 0; i < t.rows; i++) /* column 2: as remembered */
        assert_close((t.cell[i][2] - 1) / t.cell[i][1], 0.5 * c[0], 1e-12);
    layer_free(layer);
}

/* A base that a model does not describe is refused. */
static void test_bonded_only(void **unused)
{
    (void)unused;
    struct report rep;
    struct contact_setup s = {.sliding_base = true, .poisson_ratio = 0.5};
    assert_int_equal(contact_prepare(&contact_layer_cone_garcia, &s, &rep), ST_RECIPE);
    assert_non_null(strstr(rep.text, "sample.base"));
    assert_int_equal(contact_prepare(&contact_layer_sphere_garcia, &s, &rep), ST_RECIPE);
    assert_int_equal(contact_prepare(&contact_layer_cone_gavara, &s, &rep), ST_OK);
    assert_false(contact_is_prepared(&contact_layer_cone, &s));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_exact_table),
        cmocka_unit_test(test_taylor_coefficients),
        cmocka_unit_test(test_first_order),
        cmocka_unit_test(test_stiffness_is_the_punch),
        cmocka_unit_test(test_smooth),
        cmocka_unit_test(test_equation),
        cmocka_unit_test(test_models_are_the_table),
        cmocka_unit_test(test_dimitriadis_table),
        cmocka_unit_test(test_rounded_series_tables),
        cmocka_unit_test(test_stated_errors),
        cmocka_unit_test(test_series_do_not_turn),
        cmocka_unit_test(test_trap_second_order),
        cmocka_unit_test(test_trap_sign_of_the_last_term),
        cmocka_unit_test(test_trap_cone),
        cmocka_unit_test(test_bonded_only),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
