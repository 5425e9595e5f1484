/* Units: conversion facts from outside, what is refused, and numbers for people. */
#include "base/units.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void assert_quantity(const char *text, const char *si_unit, double si)
{
    struct report rep = {""};
    double value = NAN;
    if (units_quantity(text, si_unit, &value, &rep) != ST_OK) print_error("%s\n", rep.text);
    if (!(fabs(value - si) <= 4e-16 * fabs(si)))
        print_error("%s: %.17g %s, not %.17g\n", text, value, si_unit, si);
    assert_true(fabs(value - si) <= 4e-16 * fabs(si));
    assert_int_equal(units_is_quantity(text, si_unit), 1);
}

/* SI Brochure, 9th edition (BIPM 2019): prefixes table 7; pascal N/m2, joule N m, volt table 4;
 * degree (pi/180) rad, table 8. Outside it: dyne = 1e-5 N, bar = 1e5 Pa (NIST SP 811, appendix B);
 * kilogram-force 9.80665 N and pound-force 4.4482216152605 N, inch 0.0254 m (the same, exact). */
static void published_facts(void **state)
{
    (void)state;
    const double pi = 3.14159265358979323846;
    assert_quantity("0.35 N/m", "N/m", 0.35);
    assert_quantity("52.5 nm/V", "m/V", 52.5e-9);
    assert_quantity("52.5 nm V-1", "m/V", 52.5e-9);
    assert_quantity("40 nm", "m", 40e-9);
    assert_quantity("40 nanometer", "m", 40e-9);
    assert_quantity("5 \xc2\xb5m", "m", 5e-6); /* micro sign */
    assert_quantity("5 um", "m", 5e-6);
    assert_quantity("180 degree", "rad", pi);
    assert_quantity("20 \xc2\xb0", "rad", 20 * (pi / 180)); /* degree sign */
    assert_quantity("0.25 rad", "rad", 0.25);
    assert_quantity("10 %", "1", 0.1);
    assert_quantity("0.5", "1", 0.5);
    assert_quantity("2.7 GPa", "Pa", 2.7e9);
    assert_quantity("1 N/mm2", "Pa", 1e6);
    assert_quantity("50 mJ/m2", "J/m2", 0.05);
    assert_quantity("1 bar", "Pa", 1e5);
    assert_quantity("3 dyne", "N", 3e-5);
    assert_quantity("1 kgf", "N", 9.80665);
    assert_quantity("1 inch", "m", 0.0254);
    assert_quantity("-2 nN", "N", -2e-9);
    assert_quantity("2nN", "N", 2e-9);
    assert_quantity("1e-3 N/m", "N/m", 1e-3);
}

static void refused(void **state)
{
    (void)state;
    static const char *const wrong[][2] = {
        {"", "N"},      {"nN", "N"},    {"5", "N"},       {"5 V", "N"},    {"5 blubs", "N"},
        {"inf N", "N"}, {"nan N", "N"}, {"1e400 N", "N"}, {"5 N/m", "N"},  {"5 m", "1"},
        {"5 N/", "N"},  {"1,5 N", "N"}, {"five N", "N"},  {"5 N; rm", "N"}};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        struct report rep = {""};
        double value = 77;
        assert_int_equal(units_quantity(wrong[i][0], wrong[i][1], &value, &rep), ST_RECIPE);
        assert_true(value == 77 && *rep.text);
        assert_int_equal(units_is_quantity(wrong[i][0], wrong[i][1]), 0);
    }
}

/* A second number would be taken as a factor of the unit: "3-5 nN" is not -15 nN. */
static void one_number_only(void **state)
{
    (void)state;
    static const char *const wrong[] = {"3-5 nN",  "1.5.2 nN", "1 2 nN",
                                        "5 +2 nN", "5 nN @ 3", "3 lg(re 1 N)"};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++)
        assert_int_equal(units_is_quantity(wrong[i], "N"), 0);
}

static void degrees_as_people_write_them(void **state)
{
    (void)state;
    assert_quantity("20 deg", "rad", 20 * (3.14159265358979323846 / 180));
}

static void scales(void **state)
{
    (void)state;
    struct report rep = {""};
    struct unit_scale s;
    assert_int_equal(units_scale("nm", "m", &s, &rep), ST_OK);
    assert_true(s.factor == 1e-9 && s.offset == 0);
    assert_int_equal(units_scale("  nm ", "m", &s, &rep), ST_OK);
    assert_int_equal(units_scale("degree_Celsius", "K", &s, &rep), ST_OK);
    assert_true(fabs(s.offset - 273.15) < 1e-12 && fabs(s.factor - 1) < 1e-12);
    assert_int_equal(units_scale("", "m", &s, &rep), ST_INPUT);
    assert_non_null(strstr(rep.text, "no unit"));
    assert_int_equal(units_scale("V", "m", &s, &rep), ST_INPUT);
    assert_non_null(strstr(rep.text, "'V'"));
    assert_int_equal(units_scale("blubs", "m", &s, &rep), ST_INPUT);
    assert_non_null(strstr(rep.text, "'blubs'"));
    assert_int_equal(units_scale("am @ 1e308", "m", &s, &rep), ST_INPUT); /* the unit drowns */
    assert_int_equal(units_scale("1e-320 m", "m", &s, &rep), ST_INPUT);
    assert_int_equal(units_scale("n\nm", "m", &s, &rep), ST_INPUT);
    double factor;
    assert_int_equal(units_from_si("Pa", "kPa", &factor, &rep), ST_OK);
    assert_true(fabs(factor - 1e-3) < 1e-18);
    assert_int_equal(units_from_si("Pa", "nN", &factor, &rep), ST_INPUT);
}

static void for_people(void **state)
{
    (void)state;
    static const struct {
        double value;
        const char *unit, *text;
    } shown[] = {{3210, "Pa", "3.21 kPa"},
                 {2.7e9, "Pa", "2.7 GPa"},
                 {0.35, "N/m", "350 mN/m"},
                 {-2e-9, "N", "-2 nN"},
                 {0, "N", "0 N"},
                 {0.25, "1", "0.25"},
                 {999.96, "Pa", "1 kPa"},
                 {4.05e-8, "m", "40.5 nm"},
                 {5e-17, "J", "50 aJ"},
                 {NAN, "Pa", "not known"},
                 {INFINITY, "Pa", "not known"}};
    char text[64];
    for (size_t i = 0; i < sizeof shown / sizeof *shown; i++) {
        units_show(shown[i].value, shown[i].unit, 3, text, sizeof text);
        assert_string_equal(text, shown[i].text);
    }
    double factor;
    assert_string_equal(units_prefix(3e-14, "m2", &factor), "n"); /* SI Brochure: nm2 = (nm)2 */
    assert_true(fabs(factor - 1e-18) < 1e-30);
    assert_string_equal(units_prefix(3e-3, "J/m2", &factor), "m");
    assert_string_equal(units_prefix(2.7e9, "Pa", &factor), "G");
    assert_true(factor == 1e9);
    char small[4];
    units_show(3210, "Pa", 3, small, sizeof small);
    assert_string_equal(small, "3.2");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(published_facts), cmocka_unit_test(refused),
        cmocka_unit_test(one_number_only), cmocka_unit_test(degrees_as_people_write_them),
        cmocka_unit_test(scales),          cmocka_unit_test(for_people),
    };
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    units_close();
    units_close();
    return failed;
}
