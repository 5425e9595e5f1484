/* Beam, thermal noise, fluid: every row of the reference tables, and the usual traps. */
#include "calibration/beam.h"
#include "calibration/fluid.h"
#include "calibration/thermal.h"
#include "table.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#undef fail
#include <cmocka.h>

static void near(double got, double want, double relative)
{
    if (!(fabs(got - want) <= relative * fabs(want)))
        fail_msg("%.16g is not %.16g (relative %.2g, limit %.2g)", got, want, got / want - 1,
                 relative);
}

static void read_table(struct table *t, const char *name)
{
    if (!table_read(t, name)) fail_msg("cannot read %s", name);
}

/* Euler-Bernoulli beam, tests/reference/60_beam.csv */
static void beam_rows(void **state)
{
    (void)state;
    static struct table t;
    read_table(&t, "60_beam.csv");
    assert_int_equal(t.rows, 4);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct beam b = {c[2], c[3], c[4], c[0], c[1]};
        near(beam_spring_constant(&b), c[5], 1e-13);
        near(beam_resonance_hz(&b), c[6], 1e-13);
        near(beam_mass_kg(&b), c[7], 1e-13);
        near(beam_effective_mass_kg(&b), c[8], 1e-13);
        near(beam_effective_mass_kg(&b) / beam_mass_kg(&b), c[9], 1e-13);
    }
}

/* k grows with (t/L)^3: common practice, no source */
static void thickness_cubed(void **state)
{
    (void)state;
    struct beam b = {2e-4, 3e-5, 2e-6, 1.69e11, 2330}, thick = b, longer = b;
    thick.thickness_m *= 1.1;
    longer.length_m *= 2;
    near(beam_spring_constant(&thick) / beam_spring_constant(&b), 1.331, 1e-13);
    near(beam_spring_constant(&longer) / beam_spring_constant(&b), 0.125, 1e-13);
}

/* Butt & Jaschke 1995, tests/reference/61_modes.csv */
static void mode_rows(void **state)
{
    (void)state;
    static struct table t;
    read_table(&t, "61_modes.csv");
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct beam_mode m = beam_mode((int)c[0]);
        near(m.alpha, c[1], 1e-12);
        near(m.slope, c[2], 1e-12);
        near(m.share, c[3], 1e-12);
        near(m.apparent_over_true, c[4], 1e-12);
        near(m.share_apparent, c[5], 1e-12);
        near(1 / m.apparent_over_true, c[6], 1e-12);
        near(1 / sqrt(m.share_apparent), c[7], 1e-12);
    }
    /* the three printed numbers, Butt & Jaschke 1995 */
    assert_true(fabs(thermal_share(MOTION_free, BAND_first_mode) - 0.971) < 5e-4);
    assert_true(fabs(thermal_share(MOTION_contact, BAND_first_mode) - 0.817) < 5e-4);
    assert_true(fabs(1 / beam_mode(1).apparent_over_true - 1.09) < 5e-4);
}

/* The shares of all modes add up to those of the whole spectrum, Butt & Jaschke 1995. */
static void shares_add_up(void **state)
{
    (void)state;
    double end = 0, apparent = 0;
    for (int n = 1; n <= 200; n++) {
        end += beam_mode(n).share;
        apparent += beam_mode(n).share_apparent;
    }
    near(end, thermal_share(MOTION_free, BAND_whole), 1e-6);
    near(apparent, thermal_share(MOTION_contact, BAND_whole), 3e-3); /* the rest falls as 1/n */
}

/* Hutter & Bechhoefer 1993; Butt & Jaschke 1995: tests/reference/62_thermal_k.csv */
static void thermal_rows(void **state)
{
    (void)state;
    static struct table t;
    read_table(&t, "62_thermal_k.csv");
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        near(c[1] * c[1] * c[2], c[3], 1e-13);
        near(thermal_spring_constant(c[0], c[1], c[2], 1), c[4], 1e-13);
        near(thermal_spring_constant(c[0], c[1], c[2], thermal_share(MOTION_free, BAND_first_mode)),
             c[5], 1e-12);
        near(thermal_spring_constant(c[0], c[1], c[2],
                                     thermal_share(MOTION_contact, BAND_first_mode)),
             c[6], 1e-12);
        near(thermal_spring_constant(c[0], c[1], c[2], thermal_share(MOTION_contact, BAND_whole)),
             c[7], 1e-13);
    }
}

/* 1.09 together with 0.817 counts the mode's shape twice: the sensitivity of the free end goes with
 * 0.971, that of a hard surface with 0.817, and both give the same k. Butt & Jaschke 1995 */
static void shape_is_counted_once(void **state)
{
    (void)state;
    double chi = 1 / beam_mode(1).apparent_over_true, contact = 60e-9, area = 2e-6;
    double k = thermal_spring_constant(295, contact, area,
                                       thermal_share(MOTION_contact, BAND_first_mode));
    double same = thermal_spring_constant(295, chi * contact, area,
                                          thermal_share(MOTION_free, BAND_first_mode));
    double twice = thermal_spring_constant(295, chi * contact, area,
                                           thermal_share(MOTION_contact, BAND_first_mode));
    near(same, k, 1e-13);
    near(twice / k, 1 / (chi * chi), 1e-13); /* 16 % too soft */
    assert_true(fabs(twice / k - 1) > 0.15);
}

/* tests/reference/69_sensitivity_from_thermal.csv, Higgins et al. 2006 (attribution from memory) */
static void inverse_rows(void **state)
{
    (void)state;
    static struct table t;
    read_table(&t, "69_sensitivity_from_thermal.csv");
    double chi = 1 / beam_mode(1).apparent_over_true;
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        double area = M_PI / 2 * c[1] * c[2] * c[4];
        near(area, c[5], 1e-13);
        near(thermal_sensitivity(c[3], c[0], area, 1), c[6], 1e-12);
        near(thermal_sensitivity(c[3], c[0], area, thermal_share(MOTION_free, BAND_first_mode)),
             c[7], 1e-12);
        near(thermal_sensitivity(c[3], c[0], area, 1) / chi, c[8], 1e-12);
        double s = thermal_sensitivity(c[3], c[0], area,
                                       thermal_share(MOTION_contact, BAND_first_mode));
        near(s, c[9], 1e-12);
        near(thermal_spring_constant(c[3], s, area, thermal_share(MOTION_contact, BAND_first_mode)),
             c[0], 1e-13); /* there and back */
    }
}

/* tests/reference/68_sho_psd.csv: k, f0, Q, T give the mean square kB T/k. Hutter & Bechhoefer 1993
 */
static void spectrum_rows(void **state)
{
    (void)state;
    static struct table t;
    read_table(&t, "68_sho_psd.csv");
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        double area = BOLTZMANN_J_PER_K * c[3] / c[0];
        near(thermal_density(area, c[1], c[2], c[4]), c[5], 1e-12);
        near(thermal_density(area, c[1], c[2], 0), c[6], 1e-12);
    }
}

/* Sader 1998; ribbon: boundary integral of Tuck's problem. tests/reference/63_sader_gamma.csv */
static void hydrodynamic_rows(void **state)
{
    (void)state;
    static struct table t;
    read_table(&t, "63_sader_gamma.csv");
    assert_int_equal(t.rows, 13);
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        double complex circle = fluid_circle(c[0]), plate = fluid_rectangle(c[0]);
        double complex correction = fluid_rectangle_correction(c[0]);
        near(creal(circle), c[1], 1e-11);
        near(cimag(circle), c[2], 1e-11);
        near(creal(correction), c[3], 1e-11);
        assert_true(fabs(cimag(correction) - c[4]) <= 1e-14); /* it crosses zero */
        near(creal(plate), c[5], 1e-11);
        near(cimag(plate), c[6], 1e-11);
        if (isnan(c[7])) continue;
        assert_true(fabs(creal(plate) - c[7]) <= 1e-3 * hypot(c[7], c[8]));
        assert_true(fabs(cimag(plate) - c[8]) <= 1e-3 * hypot(c[7], c[8]));
    }
}

/* Sader, Chon, Mulvaney 1999: tests/reference/64_sader_k.csv */
static void sader_rows(void **state)
{
    (void)state;
    static struct table t;
    read_table(&t, "64_sader_k.csv");
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct fluid f = {.density_kg_m3 = c[0], .viscosity_pa_s = c[1]};
        near(fluid_reynolds(&f, c[2], c[5]), c[6], 1e-13);
        near(creal(fluid_rectangle(c[6])), c[7], 1e-11);
        near(cimag(fluid_rectangle(c[6])), c[8], 1e-11);
        double k = fluid_sader(&f, c[2], c[3], c[5], c[4]);
        near(k, c[9], 1e-11);
        double exact = 3 * M_PI / (4 * pow(beam_mode(1).alpha, 4));
        near(k * exact / SADER_CONSTANT, c[10], 1e-11);
    }
}

/* Cleveland et al. 1993: tests/reference/65_added_mass.csv */
static void added_mass_rows(void **state)
{
    (void)state;
    static struct table t;
    read_table(&t, "65_added_mass.csv");
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        near(beam_added_mass(c[2], c[1], c[0]), c[3], 1e-9);
    }
}

/* Timoshenko & Goodier: tests/reference/67_torsion.csv */
static void torsion_rows(void **state)
{
    (void)state;
    static struct table t;
    read_table(&t, "67_torsion.csv");
    for (size_t i = 0; i < t.rows; i++) {
        const double *c = t.cell[i];
        struct beam b = {c[2], c[3], c[4], c[0], 2330};
        double thin = beam_torsion_thin(&b, c[1]), whole = beam_torsion(&b, c[1]);
        near(beam_spring_constant(&b), c[6], 1e-13);
        near(thin, c[7], 1e-12);
        near(beam_lateral(thin, c[5]), c[8], 1e-12);
        near(whole, c[9], 1e-12);
        near(beam_lateral(whole, c[5]), c[10], 1e-12);
        near(beam_torsion_from_spring(c[6], c[2], c[1]) / thin, c[11], 1e-12);
    }
}

/* Water: 1.0016 mPa s at 20 degree C (ISO/TR 3666:1998), 0.8900 at 25 and 0.653 at 40 (IAPWS;
 * from memory); 998.2067 and 997.0470 kg/m3 (Tanaka et al. 2001, as quoted). Air at 288.15
 * K: 1.7894e-5 Pa s and 1.2250 kg/m3 (U.S. Standard Atmosphere 1976, sea level). */
static void presets(void **state)
{
    (void)state;
    struct report rep;
    struct fluid f;
    assert_int_equal(fluid_at(FLUID_water, 293.15, &f, &rep), ST_OK);
    near(f.viscosity_pa_s, 1.0016e-3, 1e-4);
    near(f.density_kg_m3, 998.2067, 1e-7);
    assert_int_equal(fluid_at(FLUID_water, 298.15, &f, &rep), ST_OK);
    near(f.viscosity_pa_s, 0.8900e-3, 1e-4);
    near(f.density_kg_m3, 997.0470, 1e-7);
    assert_int_equal(fluid_at(FLUID_water, 313.15, &f, &rep), ST_OK);
    assert_true(fabs(f.viscosity_pa_s - 0.653e-3) < 0.5e-6); /* the digits quoted */
    assert_int_equal(fluid_at(FLUID_air, 288.15, &f, &rep), ST_OK);
    near(f.viscosity_pa_s, 1.7894e-5, 1e-4);
    near(f.density_kg_m3, 1.2250, 1e-4);
    assert_int_equal(fluid_at(FLUID_water, 260, &f, &rep), ST_INPUT);
    assert_non_null(strstr(rep.text, "from 273.15 to 313.15 K, not at 260 K"));
    assert_int_equal(fluid_at(FLUID_air, NAN, &f, &rep), ST_INPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(beam_rows),         cmocka_unit_test(thickness_cubed),
        cmocka_unit_test(mode_rows),         cmocka_unit_test(shares_add_up),
        cmocka_unit_test(thermal_rows),      cmocka_unit_test(shape_is_counted_once),
        cmocka_unit_test(inverse_rows),      cmocka_unit_test(spectrum_rows),
        cmocka_unit_test(hydrodynamic_rows), cmocka_unit_test(sader_rows),
        cmocka_unit_test(added_mass_rows),   cmocka_unit_test(torsion_rows),
        cmocka_unit_test(presets),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
