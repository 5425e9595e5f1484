/* The recipe: defaults, every kind of value, every way to write one wrong, and random damage. */
#include "base/units.h"
#include "contact/contact.h"
#include "recipe/recipe.h"

#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#define assert_near(a, b, tolerance) assert_true(fabs((a) - (b)) <= (tolerance))

static const char *const example = "# all sections\n"
                                   "calibration:\n"
                                   "  spring_constant: 0.35 N/m\n"
                                   "  spring_constant_u: 0.02 N/m\n"
                                   "  tilt: 11 degree\n"
                                   "  tilt_correction: cosine_squared\n"
                                   "tip:\n"
                                   "  tip_radius: 40 nm\n"
                                   "sample:\n"
                                   "  poisson_ratio: 0.3\n"
                                   "baseline: {order: offset, shortest: 0.2}\n"
                                   "contact:\n"
                                   "  model: 'cone'\n"
                                   "  from: 2 nN\n"
                                   "  to: 90 %\n"
                                   "adhesion:\n"
                                   "limits:\n"
                                   "  residual: 5 %\n"
                                   "output:\n"
                                   "  modulus_unit: MPa\n"
                                   "  compression: 9\n";

static void accept_text(struct recipe *r, const char *text)
{
    struct report rep = {""};
    enum status st = recipe_parse(r, text, strlen(text), "r.yaml", &rep);
    if (st != ST_OK) print_error("%s\n", rep.text);
    assert_int_equal(st, ST_OK);
}

/* One line, from r.yaml, that holds each of the parts. */
static void refuse_bytes(const char *text, size_t size, const char *part, const char *other)
{
    struct report rep = {""};
    struct recipe r;
    assert_int_equal(recipe_parse(&r, text, size, "r.yaml", &rep), ST_RECIPE);
    assert_null(r.text);
    if (!strstr(rep.text, part) || !strstr(rep.text, other))
        print_error("'%s' lacks '%s' or '%s'\n", rep.text, part, other);
    assert_ptr_equal(strstr(rep.text, "r.yaml: "), rep.text);
    assert_non_null(strstr(rep.text, part));
    assert_non_null(strstr(rep.text, other));
    assert_null(strchr(rep.text, '\n'));
}

static void refuse(const char *text, const char *part, const char *other)
{
    refuse_bytes(text, strlen(text), part, other);
}

static void defaults_load(void **state)
{
    (void)state;
    struct report rep = {""};
    struct recipe r;
    assert_int_equal(recipe_default(&r, &rep), ST_OK);
    for (int i = 0; i < KEY_COUNT; i++) {
        assert_int_equal(r.v[i].set, *recipe_rows[i].standard != 0);
        assert_int_equal(r.v[i].given, 0);
        assert_string_equal(r.v[i].text, recipe_rows[i].standard);
    }
    assert_string_equal(r.text, "");
    assert_near(r.v[KEY_limits_missing].si, 0.05, 1e-15);
    assert_true(isnan(r.v[KEY_tip_tip_radius].si));
    recipe_free(&r);
}

static void values_in_si(void **state)
{
    (void)state;
    struct recipe r;
    accept_text(&r, example);
    assert_near(r.v[KEY_calibration_spring_constant].si, 0.35, 1e-15);
    assert_int_equal(r.v[KEY_calibration_spring_constant].line, 3);
    assert_near(r.v[KEY_calibration_tilt].si, 11 * acos(-1) / 180, 1e-15);
    assert_int_equal(r.v[KEY_calibration_tilt_correction].choice, 1);
    assert_near(r.v[KEY_tip_tip_radius].si, 40e-9, 1e-22);
    assert_near(r.v[KEY_sample_poisson_ratio].si, 0.3, 1e-15);
    assert_int_equal(r.v[KEY_baseline_order].choice, 1);
    assert_near(r.v[KEY_baseline_shortest].si, 0.2, 1e-15);
    assert_int_equal(r.v[KEY_contact_model].choice, CONTACT_cone);
    assert_int_equal(r.v[KEY_contact_from].range, RANGE_FORCE);
    assert_near(r.v[KEY_contact_from].si, 2e-9, 1e-22);
    assert_int_equal(r.v[KEY_contact_to].range, RANGE_SHARE_OF_PEAK);
    assert_near(r.v[KEY_contact_to].si, 0.9, 1e-15);
    assert_near(r.v[KEY_output_compression].si, 9, 0);
    assert_string_equal(r.v[KEY_output_modulus_unit].text, "MPa");
    assert_int_equal(r.v[KEY_limits_missing].given, 0);
    assert_int_equal(r.v[KEY_limits_missing].set, 1);
    assert_string_equal(r.text, example);
    assert_string_equal(r.path, "r.yaml");
    recipe_free(&r);
}

static void nothing_is_all_defaults(void **state)
{
    (void)state;
    static const char *const texts[] = {"",
                                        "# a comment\n",
                                        "---\n",
                                        "\n\n",
                                        "contact:\n",
                                        "\xef\xbb\xbf"
                                        "contact:\n  model: cone\n"};
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        struct recipe r;
        accept_text(&r, texts[i]);
        assert_int_equal(r.v[KEY_contact_model].given, i == 5);
        recipe_free(&r);
    }
}

static void ranges_by_unit(void **state)
{
    (void)state;
    struct recipe r;
    accept_text(&r, "contact:\n  from: 20 nm\n  to: 0.5 um\n");
    assert_int_equal(r.v[KEY_contact_from].range, RANGE_INDENTATION);
    assert_near(r.v[KEY_contact_to].si, 5e-7, 1e-20);
    recipe_free(&r);
    refuse("contact:\n  from: 0.2\n", "line 2: contact.from: ", "share of the peak force");
    refuse("contact:\n  from: 20 V\n", "contact.from: ", "'20 V'");
    refuse("contact:\n  to: 101 %\n", "contact.to: ", "0 % and 100 %");
    refuse("contact:\n  from: 3 nN\n  to: 2 nN\n", "contact.from", "below contact.to");
    refuse("contact:\n  from: 100 %\n", "contact.from", "by default");
    accept_text(&r, "contact:\n  from: 3 nN\n  to: 80 %\n");
    recipe_free(&r);
}

static void unknown_words(void **state)
{
    (void)state;
    refuse("calibration:\n  spring_konstant: 1 N/m\n",
           "line 2: calibration.spring_konstant: unknown key (did you mean 'spring_constant'?)",
           "valid keys of calibration are deflection_sensitivity, ");
    refuse("contakt:\n  model: cone\n",
           "line 1: contakt: unknown section (did you mean 'contact'?)",
           "valid sections are calibration, tip, sample");
    refuse("qqqqqqq: 1\n", "unknown section; valid", "output");
    refuse("spring_constant: 1 N/m\n", "line 1: spring_constant: ", "under 'calibration:'");
    refuse("tip:\n  spring_constant: 1 N/m\n",
           "line 2: tip.spring_constant: ", "belongs under 'calibration:'");
    refuse("contact:\n  model: kone\n", "line 2: contact.model: 'kone' is not known",
           "did you mean 'cone'?");
    refuse("contact:\n  model: kone\n", "valid words are paraboloid, cone", "jkr");
}

static void wrong_shapes(void **state)
{
    (void)state;
    refuse("- a\n- b\n", "line 1: ", "sections with keys");
    refuse("just text\n", "line 1: ", "sections with keys");
    refuse("contact: cone\n", "line 1: contact: ", "is a section");
    refuse("contact:\n  model: [cone]\n", "line 2: contact.model: ", "a list");
    refuse("contact:\n  model: {a: b}\n", "line 2: contact.model: ", "a mapping");
    refuse("contact:\n  model:\n", "line 2: contact.model: ", "no value");
    refuse("contact:\n  model: cone\n  model: jkr\n", "line 3: contact.model: ", "first in line 2");
    refuse("tip:\ncontact:\ntip:\n", "line 3: tip: ", "first in line 1");
    refuse("contact: &a\n  model: cone\n", "line 1: ", "anchors");
    refuse("contact:\n  model: *b\n", "line 2: ", "anchors");
    refuse("contact:\n  model: !x cone\n", "line 2: contact.model: ", "tags");
    refuse("!x\n", "line 1: ", "sections with keys");
    refuse("contact:\n  [a, b]: cone\n", "line 2: contact: ", "plain word");
    refuse("contact:\n---\ntip:\n", "line 2: ", "second YAML document");
    refuse("contact:\n\tmodel: cone\n", "line 2: ", "not valid YAML");
    refuse("contact: {model: cone\n", "line ", "not valid YAML");
    refuse("contact:\n  model: \"a\\0b\"\n", "line 2: contact.model: ", "NUL");
}

static void wrong_bytes(void **state)
{
    (void)state;
    char large[200] = "contact:\n  model: ";
    size_t used = strlen(large);
    memset(large + used, 'x', 127);
    refuse(large, "line 2: contact.model: ", "is not known");
    memset(large + used, 'x', 128);
    refuse(large, "line 2: contact.model: ", "longer than 127");
    refuse_bytes("contact:\n\0\n", 11, "line 2: ", "NUL byte");
    refuse("contact:\n  model: \xff\xfe\n", "line 2: ", "not valid YAML");
    refuse("contact:\n  model: \x01\n", "line 2: ", "not valid YAML");
    size_t mib = 1 << 20;
    char *huge = malloc(mib + 1);
    assert_non_null(huge);
    memset(huge, '#', mib + 1);
    refuse_bytes(huge, mib + 1, "1 MiB", "order of the files");
    struct report rep = {""};
    struct recipe r;
    assert_int_equal(recipe_parse(&r, huge, mib, "r.yaml", &rep), ST_OK);
    recipe_free(&r);
    memset(huge, '[', mib);
    refuse_bytes(huge, mib, "line 1: ", "nested too deeply");
    for (size_t i = 0; i < mib; i++)
        huge[i] = "{a: "[i % 4];
    refuse_bytes(huge, mib, "line 1: ", "nested too deeply");
    for (size_t i = 0; i < mib; i++)
        huge[i] = "- \n?"[i % 4];
    refuse_bytes(huge, mib, "line ", "");
    free(huge);
}

static void wrong_values(void **state)
{
    (void)state;
    refuse("calibration:\n  spring_constant: 0.35\n", "calibration.spring_constant: ", "no unit");
    refuse("calibration:\n  spring_constant: FILL_IN N/m\n", "line 2: ", "begin with a number");
    refuse("calibration:\n  spring_constant: stiff\n", "calibration.spring_constant: ", "number");
    refuse("calibration:\n  spring_constant: 3 V\n", "calibration.spring_constant: ", "'V'");
    refuse("calibration:\n  spring_constant: inf N/m\n", "calibration.spring_constant: ", "finite");
    refuse("calibration:\n  spring_constant: nan N/m\n", "calibration.spring_constant: ", "finite");
    refuse("calibration:\n  spring_constant_u: -1 N/m\n", "spring_constant_u: ", "negative");
    refuse("calibration:\n  tilt: 11\n", "calibration.tilt: ", "degree");
    refuse("calibration:\n  tilt: 11 %\n", "calibration.tilt: ", "angle");
    refuse("sample:\n  poisson_ratio: 20 degree\n", "sample.poisson_ratio: ", "plain number");
    refuse("limits:\n  missing: -1 %\n", "limits.missing: ", "negative");
    refuse("baseline:\n  shortest: 0.96\n", "baseline.shortest: ", "95 %");
    refuse("output:\n  compression: 10\n", "output.compression: ", "between 0 and 9");
    refuse("output:\n  compression: 1.0\n", "output.compression: ", "whole number");
    refuse("output:\n  compression: -1\n", "output.compression: ", "whole number");
    refuse("output:\n  modulus_unit: nN\n", "output.modulus_unit: ", "'nN'");
    refuse("output:\n  modulus_unit: 5 kPa\n", "output.modulus_unit: ", "plain unit");
    refuse("output:\n  modulus_unit: lg(re 1 Pa)\n", "output.modulus_unit: ", "plain unit");
    refuse("limits:\n  modulus_low: 2 MPa\n  modulus_high: 1 MPa\n", "line 2: limits.modulus_low",
           "below limits.modulus_high");
}

static void files(void **state)
{
    (void)state;
    struct report rep = {""};
    struct recipe r;
    assert_int_equal(recipe_load(&r, "/nonexistent/r.yaml", &rep), ST_INPUT);
    assert_non_null(strstr(rep.text, "/nonexistent/r.yaml: this recipe cannot be read"));
    assert_int_equal(recipe_load(&r, "/", &rep), ST_INPUT);
    assert_int_equal(recipe_load(&r, "/dev/zero", &rep), ST_INPUT);
    char pipe_path[] = "/tmp/test_recipe_XXXXXX";
    assert_non_null(mkdtemp(pipe_path));
    char fifo[sizeof pipe_path + 8];
    snprintf(fifo, sizeof fifo, "%s/r.yaml", pipe_path);
    assert_int_equal(mkfifo(fifo, 0600), 0);
    enum status waits_not = recipe_load(&r, fifo, &rep); /* nobody writes: opening it would wait */
    unlink(fifo), rmdir(pipe_path);
    assert_int_equal(waits_not, ST_INPUT);
    assert_non_null(strstr(rep.text, "is not a plain file"));
    char path[] = "/tmp/test_recipe_XXXXXX";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    FILE *file = fdopen(fd, "w");
    assert_non_null(file);
    fputs(example, file);
    assert_int_equal(fclose(file), 0);
    enum status st = recipe_load(&r, path, &rep);
    unlink(path);
    assert_int_equal(st, ST_OK);
    assert_string_equal(r.text, example);
    recipe_free(&r);
}

static void json_holds_every_key(void **state)
{
    (void)state;
    struct recipe r;
    accept_text(&r, example);
    char *text = recipe_json(&r);
    recipe_free(&r);
    assert_non_null(text);
    json_t *root = json_loads(text, JSON_REJECT_DUPLICATES, NULL);
    const char *last = text;
    for (int i = 0; i < KEY_COUNT; i++) {
        json_t *section = json_object_get(root, recipe_rows[i].section);
        assert_true(json_is_object(json_object_get(section, recipe_rows[i].key)));
        char quoted[80];
        snprintf(quoted, sizeof quoted, "\"%s\": {", recipe_rows[i].key);
        last = strstr(last, quoted);
        assert_non_null(last); /* order of the table */
    }
    json_t *k = json_object_get(json_object_get(root, "calibration"), "spring_constant");
    assert_string_equal(json_string_value(json_object_get(k, "value")), "0.35 N/m");
    assert_string_equal(json_string_value(json_object_get(k, "origin")), "recipe");
    k = json_object_get(json_object_get(root, "limits"), "missing");
    assert_string_equal(json_string_value(json_object_get(k, "origin")), "default");
    k = json_object_get(json_object_get(root, "limits"), "peak_force");
    assert_true(json_is_null(json_object_get(k, "value")));
    json_decref(root);
    free(text);
}

static void manual_names_every_key(void **state)
{
    (void)state;
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    assert_non_null(out);
    recipe_manual(out);
    assert_int_equal(fclose(out), 0);
    for (int i = 0; i < KEY_COUNT; i++) {
        char row[80];
        snprintf(row, sizeof row, "\n| `%s` | ", recipe_rows[i].key);
        assert_non_null(strstr(text, row));
    }
    assert_null(strstr(text, "@models"));
    free(text);
}

/* xorshift64*, S. Vigna, ACM Trans. Math. Softw. 42 (2016) 30: the same damage on every machine. */
static uint64_t seed = 88172645463325252u;
static size_t draw(size_t below)
{
    seed ^= seed >> 12;
    seed ^= seed << 25;
    seed ^= seed >> 27;
    return (size_t)((seed * 2685821657736338717u) >> 33) % below;
}

/* Damaged recipes are read or refused with one line; under the sanitizers nothing else happens. */
static void random_damage(void **state)
{
    (void)state;
    static const char bits[] = "\0\n :-[]{}&*!|>'\"%@`#,?\t\xff\xc3~<=.e9";
    int refused = 0, accepted = 0;
    for (int round = 0; round < 3000; round++) {
        char text[1024];
        size_t n = strlen(example);
        memcpy(text, example, n);
        for (size_t hit = 1 + draw(2); hit > 0; hit--) {
            size_t at = draw(n), length = draw(6);
            if (draw(3) == 0 && at + length < n) {
                memmove(text + at, text + at + length, n - at - length);
                n -= length;
            } else {
                text[at] = draw(2) ? bits[draw(sizeof bits - 1)] : (char)draw(256);
            }
        }
        struct report rep = {""};
        struct recipe r;
        if (recipe_parse(&r, text, n, "r.yaml", &rep) == ST_OK) {
            accepted++;
            recipe_free(&r);
        } else {
            refused++;
            assert_ptr_equal(strstr(rep.text, "r.yaml: line "), rep.text);
        }
    }
    assert_true(refused > 1000);
    assert_true(accepted > 100);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(defaults_load),
        cmocka_unit_test(values_in_si),
        cmocka_unit_test(nothing_is_all_defaults),
        cmocka_unit_test(ranges_by_unit),
        cmocka_unit_test(unknown_words),
        cmocka_unit_test(wrong_shapes),
        cmocka_unit_test(wrong_bytes),
        cmocka_unit_test(wrong_values),
        cmocka_unit_test(files),
        cmocka_unit_test(json_holds_every_key),
        cmocka_unit_test(manual_names_every_key),
        cmocka_unit_test(random_damage),
    };
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    units_close();
    return failed;
}
