/* The lever: what wins, what goes with it, and the limits. */
#include "base/units.h"
#include "calibration/lever.h"
#include "calibration/tilt.h"
#include "recipe/recipe.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "table.h"

#define assert_near(a, b, tolerance) assert_true(fabs((a) - (b)) <= (tolerance))

static enum status settle(const char *text, const struct lever *volume, struct lever *out,
                          struct report *rep)
{
    struct recipe r;
    assert_int_equal(recipe_parse(&r, text, strlen(text), "r.yaml", rep), ST_OK);
    enum status st = lever_settle(&r, volume, out, rep);
    recipe_free(&r);
    return st;
}

static struct lever a_volume(void)
{
    struct lever v;
    lever_clear(&v);
    v.item[LEVER_spring_constant] = (struct known){0.35, 0.02, "volume"};
    v.item[LEVER_tip_radius] = (struct known){40e-9, 4e-9, "volume"};
    return v;
}

static void rows_have_keys(void **state)
{
    (void)state;
    for (int i = 0; i < LEVER_COUNT; i++) {
        int found = 0;
        for (int k = 0; k < KEY_COUNT; k++)
            if (strcmp(recipe_rows[k].key, lever_rows[i].name) == 0) {
                assert_string_equal(recipe_rows[k].section, lever_rows[i].section);
                assert_string_equal(recipe_rows[k].unit, lever_rows[i].si_unit);
                found++;
            }
        assert_int_equal(found, 1);
        assert_true(lever_rows[i].low < lever_rows[i].high);
    }
}

static void nothing_known(void **state)
{
    (void)state;
    struct report rep = {""};
    struct lever volume, out;
    lever_clear(&volume);
    assert_int_equal(settle("", &volume, &out, &rep), ST_OK);
    for (int i = 0; i < LEVER_COUNT; i++) {
        if (i == LEVER_poisson_ratio || i == LEVER_tip_poisson_ratio) continue;
        assert_true(isnan(out.item[i].value) && isnan(out.item[i].u));
        assert_string_equal(out.item[i].origin, "");
    }
    assert_near(out.item[LEVER_poisson_ratio].value, 0.5, 0);
    assert_string_equal(out.item[LEVER_poisson_ratio].origin, "default");
}

static void volume_holds_without_recipe(void **state)
{
    (void)state;
    struct report rep = {""};
    struct lever volume = a_volume(), out;
    volume.item[LEVER_poisson_ratio] = (struct known){0.3, NAN, "volume"};
    assert_int_equal(settle("", &volume, &out, &rep), ST_OK);
    assert_near(out.item[LEVER_spring_constant].value, 0.35, 0);
    assert_near(out.item[LEVER_spring_constant].u, 0.02, 0);
    assert_string_equal(out.item[LEVER_spring_constant].origin, "volume");
    assert_near(out.item[LEVER_poisson_ratio].value, 0.3, 0);
    assert_string_equal(out.item[LEVER_poisson_ratio].origin, "volume");
}

static void recipe_wins(void **state)
{
    (void)state;
    struct report rep = {""};
    struct lever volume = a_volume(), out;
    assert_int_equal(settle("calibration:\n  spring_constant: 0.4 N/m\n"
                            "tip:\n  tip_radius: 50 nm\n  tip_radius_u: 1 nm\n",
                            &volume, &out, &rep),
                     ST_OK);
    assert_near(out.item[LEVER_spring_constant].value, 0.4, 1e-16);
    assert_true(isnan(out.item[LEVER_spring_constant].u)); /* the volume's belonged to 0.35 N/m */
    assert_string_equal(out.item[LEVER_spring_constant].origin, "recipe");
    assert_near(out.item[LEVER_tip_radius].value, 50e-9, 1e-22);
    assert_near(out.item[LEVER_tip_radius].u, 1e-9, 1e-23);
}

static void uncertainty_alone(void **state)
{
    (void)state;
    struct report rep = {""};
    struct lever volume = a_volume(), out;
    assert_int_equal(settle("calibration:\n  spring_constant_u: 10 mN/m\n", &volume, &out, &rep),
                     ST_OK);
    assert_near(out.item[LEVER_spring_constant].value, 0.35, 0);
    assert_near(out.item[LEVER_spring_constant].u, 0.01, 1e-17);
    assert_string_equal(out.item[LEVER_spring_constant].origin, "volume");
    assert_int_equal(settle("calibration:\n  tilt_u: 1 degree\n", &volume, &out, &rep), ST_RECIPE);
    assert_non_null(strstr(rep.text, "r.yaml: line 2: calibration.tilt_u: "));
}

static void out_of_range(void **state)
{
    (void)state;
    struct report rep = {""};
    struct lever volume = a_volume(), out;
    assert_int_equal(settle("calibration:\n  spring_constant: -0.3 N/m\n", &volume, &out, &rep),
                     ST_RECIPE);
    assert_string_equal(rep.text, "r.yaml: line 2: calibration.spring_constant: spring constant is "
                                  "-0.3 N/m; it must lie between 1e-06 and 1e+06 N/m");
    assert_int_equal(settle("sample:\n  poisson_ratio: 0.51\n", &volume, &out, &rep), ST_RECIPE);
    assert_non_null(strstr(rep.text, "between -0.99 and 0.5"));
    assert_int_equal(settle("calibration:\n  tilt: 80 degree\n", &volume, &out, &rep), ST_RECIPE);
    assert_non_null(strstr(rep.text, "is 80 degree; it must lie between 0 and 68.7549 degree"));
    volume.item[LEVER_tip_radius].value = 1;
    assert_int_equal(settle("", &volume, &out, &rep), ST_RECIPE);
    assert_non_null(strstr(rep.text, "tip.tip_radius (from the volume): "));
}

static void check_one(void **state)
{
    (void)state;
    struct report rep = {""};
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct lever_row *row = &lever_rows[i];
        enum lever_item item = (enum lever_item)i;
        const struct {
            struct known k;
            enum status st;
        } cases[] = {{{row->low, NAN, "volume"}, ST_OK},
                     {{row->high, 0, "volume"}, ST_OK},
                     {{nextafter(row->low, -INFINITY), NAN, "volume"}, ST_INPUT},
                     {{nextafter(row->high, INFINITY), NAN, "volume"}, ST_INPUT},
                     {{NAN, NAN, "volume"}, ST_INPUT},
                     {{row->high, -1e-30, "volume"}, ST_INPUT},
                     {{row->high, INFINITY, "volume"}, ST_INPUT}};
        for (size_t c = 0; c < sizeof cases / sizeof *cases; c++) {
            *rep.text = 0;
            assert_int_equal(lever_check(item, &cases[c].k, &rep), cases[c].st);
            if (cases[c].st != ST_OK) assert_non_null(strstr(rep.text, row->words));
        }
    }
}

/* tests/reference/66_tilt.csv: Heim, Kappl, Butt, Langmuir 20 (2004) 2760; Hutter, Langmuir 21
 * (2005) 2630 (from memory); the beam derived for the table. 1e-13, the table's own tolerance. */
static void tilt_table(void **state)
{
    (void)state;
    static struct table t;
    static const enum tilt_correction column[] = {TILT_COSINE_SQUARED, TILT_HEIM, TILT_HUTTER,
                                                  TILT_BEAM};
    assert_true(table_read(&t, "66_tilt.csv"));
    assert_int_equal(t.rows, 5);
    for (size_t i = 0; i < t.rows; i++) {
        const double *row = t.cell[i];
        double angle = row[0] * acos(-1) / 180;
        for (int c = 0; c < 4; c++)
            assert_near(tilt_factor(column[c], angle, row[1], row[2]) / row[3 + c], 1, 1e-13);
        assert_near(tilt_factor(TILT_NONE, angle, row[1], row[2]), 1, 0);
        assert_near(tilt_factor(TILT_CONTAINED, angle, row[1], row[2]), 1, 0);
    }
    /* the trap: at 20 degree and D/L = 0.1 the authors' factors differ by up to 12 % */
    const double *tall = t.cell[4];
    double angle = tall[0] * acos(-1) / 180;
    double least = tilt_factor(TILT_COSINE_SQUARED, angle, tall[1], tall[2]);
    double most = tilt_factor(TILT_HUTTER, angle, tall[1], tall[2]);
    assert_true(most / least > 1.11 && most / least < 1.13);
}

/* The words of the recipe's key stand in the order of the enum. */
static void tilt_words(void **state)
{
    (void)state;
    static const char *const words[] = {"none",   "cosine_squared", "heim",
                                        "hutter", "beam",           "contained"};
    const struct recipe_row *row = &recipe_rows[KEY_calibration_tilt_correction];
    for (int i = TILT_NONE; i <= TILT_CONTAINED; i++)
        assert_int_equal(recipe_choice(recipe_choices(row), words[i]), i);
}

/* A tip so tall that the formula turns over has no factor; the beam always has one. */
static void tilt_beyond_formula(void **state)
{
    (void)state;
    assert_true(isnan(tilt_factor(TILT_HEIM, 0.5, 1, 1)));
    assert_true(isnan(tilt_factor(TILT_HUTTER, 0.6, 1, 1)));
    assert_true(isnan(tilt_factor(TILT_HEIM, 0.5, NAN, 1)));
    assert_true(tilt_factor(TILT_BEAM, 0.6, 1, 1) > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rows_have_keys),
        cmocka_unit_test(nothing_known),
        cmocka_unit_test(volume_holds_without_recipe),
        cmocka_unit_test(recipe_wins),
        cmocka_unit_test(uncertainty_alone),
        cmocka_unit_test(out_of_range),
        cmocka_unit_test(check_one),
        cmocka_unit_test(tilt_table),
        cmocka_unit_test(tilt_words),
        cmocka_unit_test(tilt_beyond_formula),
    };
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    units_close();
    return failed;
}
