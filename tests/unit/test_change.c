/* Changes to a recipe, and the table of what they leave. The merged text must read back as what
 * was meant: the recipe's own reader is the judge. */
#include "base/units.h"
#include "maps/reuse.h"
#include "recipe/change.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#undef fail
#include <cmocka.h>

static const char before_text[] = "sample:\n  poisson_ratio: 0.4\ncontact:\n  model: paraboloid\n"
                                  "  to: \"80 %\"\noutput: {modulus_unit: MPa}\n";

static void test_only_what_is_given_changes(void **state)
{
    struct recipe before, after;
    struct recipe_change change = {.lever_text = NULL};
    struct report rep;
    size_t n;
    (void)state;
    assert_int_equal(recipe_parse(&before, before_text, strlen(before_text), "r", &rep), ST_OK);
    assert_int_equal(recipe_change_word(&change, "contact.model=jkr", &rep), ST_OK);
    assert_int_equal(recipe_change_word(&change, "contact.model=cone", &rep), ST_OK);
    assert_int_equal(recipe_change_word(&change, "contact.to=", &rep), ST_OK);
    assert_int_equal(recipe_change_word(&change, "tip.tip_half_angle=0.35 rad", &rep), ST_OK);
    assert_int_equal(recipe_changed(&after, &before, &change, "maps.h5", &rep), ST_OK);
    for (int i = 0; i < KEY_COUNT; i++) {
        bool touched = i == KEY_contact_model || i == KEY_contact_to || i == KEY_tip_tip_half_angle;
        assert_int_equal(strcmp(before.v[i].text, after.v[i].text) != 0, touched);
    }
    assert_string_equal(after.v[KEY_contact_model].text, "cone");
    assert_string_equal(after.v[KEY_contact_to].text, "100 %");
    assert_false(after.v[KEY_contact_to].given);
    char *difference = recipe_difference(&before, &after, &n);
    assert_int_equal(n, 3);
    assert_non_null(strstr(difference, "\"contact.to\",\"old\":\"80 %\",\"new\":\"100 %\""));
    free(difference);
    recipe_free(&before);
    recipe_free(&after);
    recipe_change_free(&change);
    units_close();
}

static void test_refused(void **state)
{
    static const struct {
        const char *word, *says;
        enum status st;
    } rows[] = {{"contact.modle=jkr", "did you mean 'contact.model'", ST_USAGE},
                {"model", "section.key=value", ST_USAGE},
                {"contact.model=jrk", "did you mean 'jkr'", ST_RECIPE},
                {"tip.tip_radius=20 kg", "tip.tip_radius", ST_RECIPE},
                {"calibration.lever_file=a.yaml", "CHANGES.yaml", ST_USAGE}};
    struct report rep;
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct recipe_change change = {.lever_text = NULL};
        assert_int_equal(recipe_change_word(&change, rows[i].word, &rep), rows[i].st);
        if (!strstr(rep.text, rows[i].says)) fail_msg("%s: %s", rows[i].word, rep.text);
        recipe_change_free(&change);
    }
    units_close();
}

/* Texts that YAML would take for something else. */
static void test_texts_survive(void **state)
{
    static const char *const texts[] = {"a: b.yaml", "#x.yaml", "we\"ird\\.yaml",
                                        "- x",       "yes",     "[a]"};
    struct report rep;
    (void)state;
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        struct recipe before, after;
        struct recipe_change change = {.lever_text = NULL};
        assert_int_equal(recipe_default(&before, &rep), ST_OK);
        change.text[KEY_calibration_lever_file] = strdup(texts[i]);
        if (recipe_changed(&after, &before, &change, "m.h5", &rep) != ST_OK)
            fail_msg("%s", rep.text);
        assert_string_equal(after.v[KEY_calibration_lever_file].text, texts[i]);
        recipe_free(&before);
        recipe_free(&after);
        recipe_change_free(&change);
    }
    units_close();
}

static unsigned left(const char *old, const char *new)
{
    return reuse_between(old, new);
}

static void test_reuse(void **state)
{
    (void)state;
    assert_int_equal(left("{\"a\":1}", "{\"a\":1}"), REUSE_ALL);
    assert_int_equal(left("{\"contact.model\":\"a\"}", "{\"contact.model\":\"b\"}"), REUSE_ALL);
    assert_int_equal(left("{\"limits.residual\":1}", "{\"limits.residual\":2}"), REUSE_ALL);
    assert_int_equal(left("{\"tip_radius as used\":1}", "{\"tip_radius as used\":2}"), REUSE_ALL);
    static const char *const after[] = {"unloading.from", "depth.windows", "tethers.search",
                                        "lateral.measure", "viscoelastic.model"};
    for (size_t i = 0; i < sizeof after / sizeof *after; i++) {
        char old[64], new[64];
        snprintf(old, sizeof old, "{\"%s\":1}", after[i]);
        snprintf(new, sizeof new, "{\"%s\":2}", after[i]);
        assert_int_equal(left(old, new), REUSE_ALL);
    }
    assert_int_equal(left("{\"contact.to\":1}", "{\"contact.to\":2}"),
                     REUSE(baseline) | REUSE(noise));
    assert_int_equal(left("{\"segment as used\":1}", "{\"segment as used\":2}"), REUSE(baseline));
    assert_int_equal(left("{\"baseline.order\":1}", "{\"baseline.order\":2}"), 0);
    assert_int_equal(
        left("{\"deflection_sensitivity as used\":1}", "{\"deflection_sensitivity as used\":2}"),
        0);
    assert_int_equal(left("{\"program.numerics\":1}", "{\"program.numerics\":2}"), 0);
    /* several changes: what all of them leave; one that nobody knows, or no identity: nothing */
    assert_int_equal(
        left("{\"contact.to\":1,\"contact.noise\":1}", "{\"contact.to\":2,\"contact.noise\":2}"),
        REUSE(baseline));
    assert_int_equal(left("{}", "{\"something new\":2}"), 0);
    assert_int_equal(left("{\"gone\":1}", "{}"), 0);
    assert_int_equal(left("", "{}"), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_only_what_is_given_changes),
        cmocka_unit_test(test_refused),
        cmocka_unit_test(test_texts_survive),
        cmocka_unit_test(test_reuse),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
