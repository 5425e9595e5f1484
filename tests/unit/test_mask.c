/* Masks: what the text means, and where a message points. Regions: four neighbours. */
#include "review/mask.h"
#include "review/regions.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#undef fail
#include <cmocka.h>

enum { NY = 4, NX = 5, N = NY * NX };

static const double y[NY] = {0, 1e-6, 2e-6, 3e-6}, x[NX] = {0, 1e-6, 2e-6, 3e-6, 4e-6};
/* kPa; row 0 first */
static const float modulus[N] = {1, 1,   5, 5, 1, /* */
                                 1, 5,   5, 1, 1, /* */
                                 5, NAN, 1, 5, 1, /* */
                                 5, 1,   1, 5, 5};
static const uint64_t flags[N] = {FLAG(steep), FLAG(jump), FLAG(steep) | FLAG(jump)};
static const uint8_t state[N] = {STATE_doubtful, STATE_rejected, STATE_rejected, STATE_accepted};

static struct mask_grid grid(void)
{
    struct mask_grid g = {NY, NX, y, x, .flags = flags, .state = state};
    g.map[MAP_modulus] = modulus;
    for (int i = 0; i < MAP_COUNT; i++)
        g.factor[i] = 1e3;
    return g;
}

/* What a mask chooses, as text: '#' or '.', rows one after the other. */
static void assert_chooses(const char *text, const char *want)
{
    struct report rep = {""};
    struct mask *m;
    uint8_t out[N];
    char got[N + 1] = "";
    struct mask_grid g = grid();
    if (mask_parse(&m, text, &rep) != ST_OK) fail_msg("'%s': %s", text, rep.text);
    if (mask_apply(m, &g, out, &rep) != ST_OK) fail_msg("'%s': %s", text, rep.text);
    for (int i = 0; i < N; i++)
        got[i] = out[i] ? '#' : '.';
    mask_free(&m);
    if (strcmp(got, want) != 0) fail_msg("'%s' chooses %s, not %s", text, got, want);
}

static void thresholds_take_units(void **unused)
{
    (void)unused;
    assert_chooses("modulus > 2 kPa", "..##..##..#..#.#..##");
    assert_chooses("modulus>0.002MPa", "..##..##..#..#.#..##");
    assert_chooses("modulus >= 5000 Pa", "..##..##..#..#.#..##");
    assert_chooses("modulus > 5 kPa", "....................");
    assert_chooses("modulus <= 1 kPa", "##..##..##..#.#.##..");
    assert_chooses("known modulus", "###########.########");
}

static void a_pixel_without_value_is_on_no_side(void **unused)
{
    (void)unused;
    assert_chooses("not known modulus", "...........#........");
    assert_chooses("modulus < 2 kPa or modulus > 2 kPa", "###########.########");
}

static void flags_and_states(void **unused)
{
    (void)unused;
    assert_chooses("has steep", "#.#.................");
    assert_chooses("has not steep", ".#.#################");
    assert_chooses("has steep and has jump", "..#.................");
    assert_chooses("is rejected", ".##.................");
    assert_chooses("is not pending", "####................");
}

static void and_binds_before_or_and_not_before_both(void **unused)
{
    (void)unused;
    assert_chooses("is doubtful or is rejected and has steep", "#.#.................");
    assert_chooses("(is doubtful or is rejected) and has jump", ".##.................");
    assert_chooses("not has steep and is rejected", ".#..................");
    assert_chooses("not (has steep or has jump) and not is pending", "...#................");
}

static void shapes_are_in_micrometres(void **unused)
{
    (void)unused;
    assert_chooses("rectangle(0.5 0.5, 2.5 10)", "......##...##...##..");
    assert_chooses("rectangle(2.5 10, 0.5 0.5)", "......##...##...##..");
    assert_chooses("rectangle(1 1, 2 2)", "......##...##......."); /* edges belong to it */
    /* a triangle with corners at (-1,-1), (3.5,-1), (-1,3.5): x + y < 2.5 */
    assert_chooses("polygon(-1 -1, 3.5 -1, -1 3.5)", "###..##...#.........");
}

static void regions_touch_along_edges(void **unused)
{
    (void)unused;
    assert_chooses("largest(modulus > 2 kPa)", "..##..##............");
    assert_chooses("regions(modulus > 2 kPa, 3 pixels)", "..##..##.....#....##");
    assert_chooses("regions(modulus > 2 kPa, 3 um2)", "..##..##.....#....##");
    assert_chooses("regions(modulus > 2 kPa, 3.01 um^2)", "..##..##............");
    assert_chooses("regions(modulus > 2 kPa, 5 pixels)", "....................");
    assert_chooses("largest(modulus > 9 kPa)", "....................");
}

static void datasets_are_given_by_the_caller(void **unused)
{
    (void)unused;
    struct report rep = {""};
    struct mask *m;
    struct mask_grid g = grid();
    uint8_t out[N];
    assert_int_equal(mask_parse(&m, "dataset(a b.h5:/x/y) = 2 or dataset('c(1).h5:/m')", &rep),
                     ST_OK);
    assert_int_equal(mask_sources(m), 2);
    assert_string_equal(mask_source(m, 0)->file, "a b.h5");
    assert_string_equal(mask_source(m, 0)->path, "/x/y");
    assert_string_equal(mask_source(m, 1)->file, "c(1).h5");
    for (size_t i = 0; i < 2; i++)
        mask_source(m, i)->value = calloc(N, sizeof(double));
    mask_source(m, 0)->value[3] = 2;
    mask_source(m, 0)->value[4] = 1;
    mask_source(m, 1)->value[5] = 7;
    mask_source(m, 1)->value[6] = NAN;
    assert_int_equal(mask_apply(m, &g, out, &rep), ST_OK);
    for (int i = 0; i < N; i++)
        assert_int_equal(out[i], i == 3 || i == 5);
    mask_free(&m);
}

static void messages_point_at_the_place(void **unused)
{
    (void)unused;
    static const struct {
        const char *text, *says[2];
    } wrong[] = {
        {"", {"at its end (character 1)", "a map"}},
        {"modulos > 2 kPa", {"character 1 ", "did you mean modulus?"}},
        {"modulus > 2", {"character 11 ", "has no unit"}},
        {"modulus > 2 and is rejected", {"character 11 ", "has no unit"}},
        {"modulus > 2 nN", {"character 11 ", "does not fit"}},
        {"modulus = 2 kPa", {"character 9 ", "expected <"}},
        {"modulus > kPa", {"character 11 ", "number"}},
        {"is rejected has steep", {"character 13 (at 'has steep')", "'and', 'or'"}},
        {"has stepe", {"character 5 ", "did you mean steep?"}},
        {"is fine", {"character 4 ", "accepted"}},
        {"(is rejected", {"at its end (character 13)", "')'"}},
        {"is rejected)", {"character 12 ", "'and', 'or'"}},
        {"is rejected and", {"at its end", "a map"}},
        {"rectangle(1 2)", {"character 10 ", "two opposite corners"}},
        {"rectangle(1 um 2, 3 4)", {"character 13 ", "without a unit"}},
        {"polygon(1 2, 3 4)", {"character 8 ", "three corners"}},
        {"dataset(mask.h5)", {"character 9 ", "FILE.h5:/path"}},
        {"dataset('mask.h5:/a)", {"character 9 ", "not closed"}},
        {"regions(is rejected)", {"character 20 ", "','"}},
        {"regions(is rejected, -3 um2)", {"character 22 ", "larger than nothing"}},
        {"regions(is rejected, 3 um)", {"character 22 ", "does not fit"}},
        {"samples_used_errors > 3", {"character 1 ", "not a map"}},
        {"larges(is rejected)", {"character 1 ", "did you mean largest?"}},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        struct report rep = {""};
        struct mask *m;
        assert_int_equal(mask_parse(&m, wrong[i].text, &rep), ST_USAGE);
        assert_null(m);
        for (int k = 0; k < 2; k++)
            if (!strstr(rep.text, wrong[i].says[k]))
                fail_msg("'%s' says: %s", wrong[i].text, rep.text);
    }
}

static void a_map_that_is_not_there_is_named(void **unused)
{
    (void)unused;
    struct report rep = {""};
    struct mask *m;
    struct mask_grid g = grid();
    uint8_t out[N];
    assert_int_equal(mask_parse(&m, "is rejected or modulus_errors < 1 kPa", &rep), ST_OK);
    assert_int_equal(mask_apply(m, &g, out, &rep), ST_USAGE);
    assert_non_null(strstr(rep.text, "character 16"));
    assert_non_null(strstr(rep.text, "no map 'modulus_errors'"));
    mask_free(&m);
}

/* Depth and length are limited, so that no text brings the program down. */
static void endless_masks_end(void **unused)
{
    (void)unused;
    struct report rep = {""};
    struct mask *m;
    char text[5000] = "";
    memset(text, '(', 4000);
    assert_int_equal(mask_parse(&m, text, &rep), ST_USAGE);
    assert_non_null(strstr(rep.text, "deep"));
    for (int i = 0; i < 1200; i++)
        memcpy(text + 4 * i, "not ", 5);
    assert_int_equal(mask_parse(&m, text, &rep), ST_USAGE);
}

static void pixels_have_areas(void **unused)
{
    (void)unused;
    const double uneven[4] = {0, 1, 3, 7}, one[1] = {0};
    const double want[4] = {1, 1.5, 3, 4};
    for (size_t i = 0; i < 4; i++) {
        assert_true(fabs(regions_width(uneven, 4, i, 0) - want[i]) < 1e-15);
        assert_true(fabs(regions_pixel_area(1, 4, one, uneven, 0, i) - want[i] * want[i]) < 1e-14);
    }
    assert_true(fabs(regions_pixel_area(1, 1, one, one, 0, 0) - 1e-12) < 1e-27);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(thresholds_take_units),
        cmocka_unit_test(a_pixel_without_value_is_on_no_side),
        cmocka_unit_test(flags_and_states),
        cmocka_unit_test(and_binds_before_or_and_not_before_both),
        cmocka_unit_test(shapes_are_in_micrometres),
        cmocka_unit_test(regions_touch_along_edges),
        cmocka_unit_test(datasets_are_given_by_the_caller),
        cmocka_unit_test(messages_point_at_the_place),
        cmocka_unit_test(a_map_that_is_not_there_is_named),
        cmocka_unit_test(endless_masks_end),
        cmocka_unit_test(pixels_have_areas),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
