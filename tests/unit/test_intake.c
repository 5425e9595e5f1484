/* Places, axes and views of foreign arrays: what a description says, and that a view shows the
 * numbers that a plain loop over the indices finds. */
#include "intake/description.h"
#include "intake/picked.h"
#include "intake/pixels.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#undef fail
#include <cmocka.h>

static struct report rep;

/* --- places --- */

static void places_are_read(void **state)
{
    (void)state;
    static const struct {
        const char *text, *si;
        enum place_kind kind;
        const char *what, *attribute, *unit;
        double value;
    } rows[] = {
        {"0.35 N/m", "N/m", PLACE_quantity, "", "", "", 0.35},
        {"/a/b in nm", "m", PLACE_path, "/a/b", "", "nm", NAN},
        {"/a/b@k in N/m", "N/m", PLACE_path, "/a/b", "k", "N/m", NAN},
        {"@k in pN/nm", "N/m", PLACE_path, "/", "k", "pN/nm", NAN},
        {"/a in @unit", "*", PLACE_path, "/a", "", "@unit", NAN},
        {"column 3 in um", "m", PLACE_column, "3", "", "um", NAN},
        {"column height in in um", "m", PLACE_column, "height in", "", "um", NAN},
        {"header k = ([0-9.]+) (N/m)", "N/m", PLACE_header, "k = ([0-9.]+) (N/m)", "", "", NAN},
        {"name r([0-9]+)", "1", PLACE_name, "r([0-9]+)", "", "", NAN},
        {"data in V", "*", PLACE_data, "", "", "V", NAN},
        {"data at 4096 in V", "*", PLACE_data, "", "", "V", NAN},
        {"file z.bin at 8 in m", "m", PLACE_file, "z.bin", "", "m", NAN},
        {"3", "1", PLACE_quantity, "", "", "", 3},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct place p;
        assert_int_equal(place_find(rows[i].text, rows[i].si, &p, &rep), ST_OK);
        assert_int_equal(p.kind, rows[i].kind);
        assert_string_equal(p.what, rows[i].what);
        assert_string_equal(p.attribute, rows[i].attribute);
        assert_string_equal(p.unit, rows[i].unit);
        if (isfinite(rows[i].value)) assert_float_equal(p.si, rows[i].value, 1e-12);
    }
    struct place p;
    assert_int_equal(place_find("data at 4096 in V", "*", &p, &rep), ST_OK);
    assert_int_equal(p.at, 4096);
}

static void wrong_places_are_refused(void **state)
{
    (void)state;
    static const char *const rows[][2] = {
        {"somewhere", "m"},     {"3", "m"},         {"column", "m"},     {"column 2 in V", "m"},
        {"data nonsense", "m"}, {"data at x", "m"}, {"data at -1", "m"}, {"header abc", "m"},
        {"header (", "m"},      {"/a@", "m"},       {"0.35 N/m", "*"},   {"", "m"}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct place p;
        *rep.text = 0;
        assert_int_equal(place_find(rows[i][0], rows[i][1], &p, &rep), ST_RECIPE);
        assert_true(*rep.text);
    }
}

/* Every prefix and every changed byte of a description either loads or says why; nothing else. */
static void damaged_descriptions_never_crash(void **state)
{
    (void)state;
    static const char text[] =
        "source:\n  kind: text\n  files: '^a[0-9]+'\nsignal:\n  stage: detector\napproach:\n"
        "  signal: column 2 in V\n  axes: row 2 of 5 sample\n  samples: 9..0\n  z: header (a) in "
        "m\n"
        "calibration:\n  tilt: 11 degree\n";
    char copy[sizeof text];
    size_t n = sizeof text - 1, loaded = 0;
    for (size_t i = 0; i < 4 * n; i++) {
        struct description d;
        memcpy(copy, text, sizeof text);
        size_t size = i < n ? i : n;
        if (i >= n) copy[i % n] = "\0:\xff("[i / n];
        enum status st = description_parse(&d, copy, size, "x.yaml", &rep);
        assert_true(st == ST_OK || st == ST_RECIPE);
        if (st != ST_OK) continue;
        loaded++;
        description_free(&d);
    }
    assert_true(loaded > 10);
}

/* --- axes --- */

static void axes_are_read(void **state)
{
    (void)state;
    struct axes a;
    size_t first, last;
    assert_int_equal(axes_read("sample 2 of 5 row column", &a, &rep), ST_OK);
    assert_int_equal(a.rank, 4);
    assert_int_equal(axes_find(&a, AXIS_COLUMN), 3);
    assert_int_equal(axes_find(&a, AXIS_CURVE), -1);
    assert_int_equal(a.fixed[1], 2);
    assert_int_equal(a.of[1], 5);
    static const char *const wrong[] = {"row row",       "curve row",           "5 of 5", "rows",
                                        "row,column",    "1 2 3 4 5 6 7",       "-1",     "2 of",
                                        "sample sample", "99999999999999999999"};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++)
        assert_int_equal(axes_read(wrong[i], &a, &rep), ST_RECIPE);
    assert_int_equal(span_read("5..511", &first, &last, &rep), ST_OK);
    assert_int_equal(first, 5);
    assert_int_equal(last, 511);
    static const char *const no_span[] = {"5", "5..", "..5", "a..b", "5...6", "5..6 "};
    for (size_t i = 0; i < sizeof no_span / sizeof *no_span; i++)
        assert_int_equal(span_read(no_span[i], &first, &last, &rep), ST_RECIPE);
}

/* --- views --- */

enum { NY = 4, NX = 5, N = 7, OTHER = 3 };

/* A file that holds 0, 1, 2 ... as int32. */
static struct array *counting(int rank, const size_t *dims)
{
    char path[] = "/tmp/cantle-test-XXXXXX";
    int fd = mkstemp(path);
    size_t total = 1;
    struct array *a;
    assert_true(fd >= 0);
    unlink(path);
    for (int i = 0; i < rank; i++)
        total *= dims[i];
    for (int32_t i = 0; i < (int32_t)total; i++)
        assert_int_equal(write(fd, &i, sizeof i), sizeof i);
    assert_int_equal(
        array_bytes(&a, fd, total * 4, "counting", NUMBER_int32, false, 0, rank, dims, &rep),
        ST_OK);
    return a;
}

/* The number that lies at row, column, sample of an array with these axes. */
static int32_t expected(const struct axes *axes, const size_t *dims, size_t row, size_t column,
                        size_t curve, size_t sample)
{
    size_t index = 0;
    for (int i = 0; i < axes->rank; i++) {
        const size_t at[] = {
            [AXIS_ROW] = row,       [AXIS_COLUMN] = column, [AXIS_CURVE] = curve,
            [AXIS_SAMPLE] = sample, [AXIS_QUADRANT] = 0,    [AXIS_FIXED] = axes->fixed[i]};
        index = index * dims[i] + at[axes->role[i]];
    }
    return (int32_t)index;
}

/* All blocks of the view against a plain loop. */
static void check_view(const char *text, size_t first, size_t last)
{
    static const size_t length[] = {[AXIS_ROW] = NY,   [AXIS_COLUMN] = NX,  [AXIS_CURVE] = NY * NX,
                                    [AXIS_SAMPLE] = N, [AXIS_QUADRANT] = 4, [AXIS_FIXED] = OTHER};
    struct axes axes;
    size_t dims[MOST_RANK], n = (last > first ? last - first : first - last) + 1;
    struct view *v;
    int32_t out[NY * NX * N];
    assert_int_equal(axes_read(text, &axes, &rep), ST_OK);
    for (int i = 0; i < axes.rank; i++)
        dims[i] = length[axes.role[i]];
    struct curve_list *list = curve_list_new(NY, NX, NY * NX);
    for (size_t i = 0; i < NY * NX; i++)
        list->at[i] = i == 7 ? NO_CURVE : (i * 7) % (NY * NX); /* 7 and 20 have no common part */
    assert_int_equal(view_picked(&v, counting(axes.rank, dims), &axes, first, last, list, &rep),
                     ST_OK);
    for (size_t row = 0; row < NY; row++)
        for (size_t rows = 1; row + rows <= NY; rows++)
            for (size_t column = 0; column + 3 <= NX; column++) {
                const size_t start[4] = {row, column, 0, 0}, count[4] = {rows, 3, n, 1};
                assert_int_equal(v->read(v, start, count, out, &rep), ST_OK);
                for (size_t i = 0; i < rows * 3 * n; i++) {
                    size_t r = row + i / n / 3, c = column + i / n % 3, s = i % n;
                    size_t curve = list->at[r * NX + c];
                    bool none = curve == NO_CURVE && axes_find(&axes, AXIS_CURVE) >= 0;
                    size_t sample = last >= first ? first + s : first - s;
                    assert_int_equal(out[i], none ? 0 : expected(&axes, dims, r, c, curve, sample));
                }
            }
    v->drop(v);
    curve_list_drop(&list);
}

static void views_show_what_a_loop_finds(void **state)
{
    (void)state;
    static const char *const texts[] = {
        "row column sample", "sample row column",   "column row sample",
        "row sample column", "column 1 sample row", "2 sample 0 row column 1",
        "curve sample",      "sample curve",        "1 curve sample"};
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        check_view(texts[i], 0, N - 1);
        check_view(texts[i], N - 1, 0);
        check_view(texts[i], 2, 4);
        check_view(texts[i], 5, 1);
    }
}

static void a_view_beyond_its_array_is_refused(void **state)
{
    (void)state;
    const size_t dims[3] = {NY, NX, N};
    struct axes axes;
    struct view *v;
    assert_int_equal(axes_read("row column sample", &axes, &rep), ST_OK);
    assert_int_equal(view_picked(&v, counting(3, dims), &axes, 0, N, NULL, &rep), ST_INPUT);
    assert_int_equal(axes_read("row 5 sample", &axes, &rep), ST_OK);
    assert_int_equal(view_picked(&v, counting(3, dims), &axes, 0, N - 1, NULL, &rep), ST_INPUT);
    assert_null(v);
}

static void ragged_curves_are_padded(void **state)
{
    (void)state;
    const size_t dims[1] = {30}, starts[3] = {0, 4, 10}, lengths[3] = {4, 0, 20};
    const size_t start[4] = {0, 0, 0, 0}, count[4] = {1, 4, 20, 1};
    struct curve_list *list = curve_list_new(1, 4, 3);
    struct view *v;
    int32_t out[80];
    list->starts = malloc(sizeof starts);
    list->lengths = malloc(sizeof lengths);
    memcpy(list->starts, starts, sizeof starts);
    memcpy(list->lengths, lengths, sizeof lengths);
    for (size_t i = 0; i < 3; i++)
        list->at[i + 1] = i; /* the first pixel has none */
    assert_int_equal(view_ragged(&v, counting(1, dims), list, &rep), ST_OK);
    curve_list_drop(&list); /* the view keeps it */
    assert_int_equal(v->read(v, start, count, out, &rep), ST_OK);
    for (int i = 0; i < 20; i++) {
        assert_int_equal(out[i], 0);
        assert_int_equal(out[20 + i], i < 4 ? i : 0);
        assert_int_equal(out[40 + i], 0);
        assert_int_equal(out[60 + i], 10 + i);
    }
    v->drop(v);
}

/* --- the grid --- */

static void lists_run_over_the_grid(void **state)
{
    (void)state;
    static const char *const texts[] = {
        "grid:\n  rows: 2\n  columns: 3\n  order: by_rows\n",
        "grid:\n  rows: 2\n  columns: 3\n  order: by_columns\n",
        "grid:\n  rows: 2\n  columns: 3\n  order: by_rows\n  serpentine: yes\n",
        "grid:\n  columns: 3\n  order: by_columns\n  serpentine: yes\n"};
    static const size_t at[][6] = {
        {0, 1, 2, 3, 4, 5}, {0, 2, 4, 1, 3, 5}, {0, 1, 2, 5, 4, 3}, {0, 3, 4, 1, 2, 5}};
    for (size_t i = 0; i < 4; i++) {
        struct description d;
        struct pixels p = {0};
        const struct placement where = {.n = 6};
        assert_int_equal(description_parse(&d, texts[i], strlen(texts[i]), "x", &rep), ST_OK);
        assert_int_equal(pixels_place(&d, &where, &p, &rep), ST_OK);
        assert_int_equal(p.ny, 2);
        assert_memory_equal(p.list->at, at[i], sizeof at[i]);
        pixels_free(&p);
        description_free(&d);
    }
}

static void positions_make_a_grid(void **state)
{
    (void)state;
    const double x[] = {2e-6, 0, 1e-6, 0, 2e-6}, y[] = {0, 0, 0, 5e-6, 5e-6 + 1e-13};
    const size_t at[6] = {1, 2, 0, 3, NO_CURVE, 4};
    struct description d;
    struct pixels p = {0};
    const struct placement where = {.n = 5, .x_m = x, .y_m = y};
    assert_int_equal(description_default(&d, &rep), ST_OK);
    assert_int_equal(pixels_place(&d, &where, &p, &rep), ST_OK);
    assert_int_equal(p.nx, 3);
    assert_int_equal(p.ny, 2);
    assert_memory_equal(p.list->at, at, sizeof at);
    pixels_free(&p);
    const double scattered[] = {0, 1, 3, 7, 15, 31, 63, 127, 255};
    const struct placement none = {.n = 9, .x_m = scattered, .y_m = scattered};
    assert_int_equal(pixels_place(&d, &none, &p, &rep), ST_INPUT);
    pixels_free(&p);
    description_free(&d);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(places_are_read),
        cmocka_unit_test(wrong_places_are_refused),
        cmocka_unit_test(damaged_descriptions_never_crash),
        cmocka_unit_test(axes_are_read),
        cmocka_unit_test(views_show_what_a_loop_finds),
        cmocka_unit_test(a_view_beyond_its_array_is_refused),
        cmocka_unit_test(ragged_curves_are_padded),
        cmocka_unit_test(lists_run_over_the_grid),
        cmocka_unit_test(positions_make_a_grid),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
