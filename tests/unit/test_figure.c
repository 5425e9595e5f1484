/* Figures: right format and size, honest labels, hostile text stays text, nothing is left behind.
 */
#include "figure/figure.h"
#include "figure/palette.h"
#include "figure/raster.h"
#include "figure/scale.h"
#include "figure/text.h"
#include "figure/ticks.h"

#include <dirent.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

enum { NY = 6, NX = 8 };

static char folder[64], private_tmp[80];
static double x_m[NX], y_m[NY], value[NY * NX];
static uint8_t mark[NY * NX];

/* The figures' own temporary directories go to a place where leftovers are seen. */
static int set_up(void **state)
{
    (void)state;
    snprintf(folder, sizeof folder, "/tmp/test_figure-XXXXXX");
    if (!mkdtemp(folder)) return -1;
    snprintf(private_tmp, sizeof private_tmp, "%s/tmp", folder);
    if (mkdir(private_tmp, 0700) || setenv("TMPDIR", private_tmp, 1)) return -1;
    for (int i = 0; i < NX; i++)
        x_m[i] = i * 250e-9;
    for (int i = 0; i < NY; i++)
        y_m[i] = i * 250e-9;
    for (int i = 0; i < NY * NX; i++) {
        value[i] = 1e6 * (1 + i);
        mark[i] = 0;
    }
    mark[3] = 1, mark[4] = 2, mark[5] = 3;
    return 0;
}

static int count_entries(const char *path)
{
    int n = 0;
    DIR *d = opendir(path);
    assert_non_null(d);
    while (readdir(d))
        n++;
    closedir(d);
    return n - 2;
}

static int tear_down(void **state)
{
    (void)state;
    DIR *d = opendir(folder);
    struct dirent *e;
    while (d && (e = readdir(d)))
        unlinkat(dirfd(d), e->d_name, 0);
    if (d) closedir(d);
    int left = rmdir(private_tmp); /* fails when a figure left something */
    return left | rmdir(folder);
}

static const char *inside(const char *name)
{
    static char path[256];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    return path;
}

static struct figure_map map_of(const char *title)
{
    return (struct figure_map){.title = title,
                               .label = "elastic modulus",
                               .si_unit = "Pa",
                               .ny = NY,
                               .nx = NX,
                               .x_m = x_m,
                               .y_m = y_m,
                               .value = value,
                               .mark = mark,
                               .low = NAN,
                               .high = NAN};
}

/* The whole file, with a 0 after it; caller frees. */
static char *slurp(const char *path, size_t *size)
{
    FILE *f = fopen(path, "rb");
    assert_non_null(f);
    fseek(f, 0, SEEK_END);
    *size = (size_t)ftell(f);
    rewind(f);
    char *text = calloc(*size + 1, 1);
    assert_non_null(text);
    assert_int_equal(fread(text, 1, *size, f), *size);
    fclose(f);
    return text;
}

static void assert_svg_says(const char *path, const char *words, int expected)
{
    size_t size;
    char *text = slurp(path, &size);
    int found = strstr(text, words) != NULL;
    free(text);
    if (found != expected) print_error("'%s' in %s: %d\n", words, path, found);
    assert_int_equal(found, expected);
}

static void draw(const char *title, const struct figure_map *maps, size_t n, size_t columns,
                 const char *path)
{
    struct report rep = {""};
    enum status st = figure_maps(title, maps, n, columns, path, &rep);
    if (st != ST_OK) print_error("%s\n", rep.text);
    assert_int_equal(st, ST_OK);
}

static unsigned long be32(const char *s)
{
    const unsigned char *u = (const unsigned char *)s;
    return (unsigned long)u[0] << 24 | (unsigned long)u[1] << 16 | (unsigned long)u[2] << 8 | u[3];
}

static void png_size(const char *path, unsigned long *width, unsigned long *height)
{
    size_t size;
    char *png = slurp(path, &size);
    assert_true(size > 5000);
    assert_memory_equal(png, "\x89PNG\r\n\x1a\n", 8);
    *width = be32(png + 16);
    *height = be32(png + 20);
    free(png);
}

static void test_png_has_pixels(void **state)
{
    (void)state;
    struct figure_map maps[2] = {map_of("one"), map_of("two")};
    unsigned long w1, h1, w2, h2;
    draw("", maps, 1, 0, inside("one.png"));
    png_size(inside("one.png"), &w1, &h1);
    draw("", maps, 2, 1, inside("two.png"));
    png_size(inside("two.png"), &w2, &h2);
    assert_true(w1 > 700 && w1 < 1300);
    assert_true(h1 > 400 && h1 < 900);
    assert_int_equal(w2, w1);
    assert_true(h2 > 3 * h1 / 2); /* one under the other */
}

static void test_svg_and_pdf(void **state)
{
    (void)state;
    struct figure_map map = map_of("a map");
    size_t size;
    draw("", &map, 1, 0, inside("a.pdf"));
    char *pdf = slurp(inside("a.pdf"), &size);
    assert_memory_equal(pdf, "%PDF-", 5);
    free(pdf);
    draw("", &map, 1, 0, inside("a.svg"));
    assert_svg_says(inside("a.svg"), "<svg", 1);
    assert_svg_says(inside("a.svg"), "x (\u00b5m)", 1);
    assert_svg_says(inside("a.svg"), "y (\u00b5m)", 1);
    assert_svg_says(inside("a.svg"), "elastic modulus (MPa)", 1);
    assert_svg_says(inside("a.svg"), "grey: rejected (1), white: absent (1), dots: doubtful (1)",
                    1);
    assert_svg_says(inside("a.svg"), "n = 46", 1);
    assert_svg_says(inside("a.svg"), "xlink:href='data:image/png;base64,", 1); /* stands alone */
}

static void test_hostile_text_is_text(void **state)
{
    (void)state;
    char trap[160], title[1024];
    snprintf(trap, sizeof trap, "%s/trap", folder);
    snprintf(
        title, sizeof title,
        "a'; system \"touch %s\"; print '`touch %s` $(touch %s) @x {/=99 b} \\\n' %%s \x80\x01",
        trap, trap, trap);
    struct figure_map map = map_of(title);
    map.label = "'; system \"touch x\" #";
    draw(title, &map, 1, 0, inside("hostile.svg"));
    assert_int_not_equal(access(trap, F_OK), 0);
    assert_svg_says(inside("hostile.svg"), "a'; system \"touch", 1);
    assert_svg_says(inside("hostile.svg"), "print '`touch", 1);
    assert_svg_says(inside("hostile.svg"), "{/=99 b} \\", 1);
    assert_svg_says(inside("hostile.svg"), "' %s ?", 1);
    assert_svg_says(inside("hostile.svg"), "'; system \"touch x\" # (MPa)", 1);
    struct figure_series series = {title, x_m, x_m, NX, 0, 1};
    struct figure_panel panel = {title, title, title, &series, 1};
    struct report rep = {""};
    assert_int_equal(figure_panels(title, &panel, 1, title, inside("hostile2.svg"), &rep), ST_OK);
    assert_int_not_equal(access(trap, F_OK), 0);
    assert_svg_says(inside("hostile2.svg"), "$(touch", 1);
}

/* Also as a file name: no pipe, no shell, no home directory. */
static void test_hostile_path(void **state)
{
    (void)state;
    struct figure_map map = map_of("a");
    char here[512];
    assert_non_null(getcwd(here, sizeof here));
    assert_int_equal(chdir(folder), 0);
    draw("", &map, 1, 0, "| touch trap; '.png");
    assert_int_not_equal(access("trap", F_OK), 0);
    assert_int_equal(access("| touch trap; '.png", F_OK), 0);
    assert_int_equal(chdir(here), 0);
}

static void test_nothing_left_behind(void **state)
{
    (void)state;
    struct figure_map map = map_of("a");
    struct report rep = {""};
    int before = count_entries(folder);
    assert_int_equal(figure_maps("", &map, 1, 0, inside("a.jpg"), &rep), ST_USAGE);
    assert_non_null(strstr(rep.text, ".png, .svg or .pdf"));
    assert_int_equal(figure_maps("", &map, 1, 0, inside("none/a.png"), &rep), ST_OUTPUT);
    assert_non_null(strstr(rep.text, "none/a.png"));
    assert_int_equal(mkdir(inside("d.png"), 0700), 0);
    assert_int_equal(figure_maps("", &map, 1, 0, inside("d.png"), &rep), ST_OUTPUT);
    assert_int_equal(rmdir(inside("d.png")), 0);
    assert_int_equal(figure_maps("", &map, 0, 0, inside("a.png"), &rep), ST_USAGE);
    assert_int_equal(count_entries(folder), before);
    assert_int_equal(count_entries(private_tmp), 0);
}

/* A gnuplot that fails, and none at all: status, its words, the old figure still there. */
static void test_tool_failures(void **state)
{
    (void)state;
    struct figure_map map = map_of("a");
    struct report rep = {""};
    size_t size;
    const char *path = getenv("PATH");
    char *saved = strdup(path ? path : ""), old[] = "old figure";
    FILE *f = fopen(inside("keep.svg"), "w");
    assert_non_null(f);
    fputs(old, f);
    fclose(f);
    setenv("PATH", folder, 1);
    assert_int_equal(figure_maps("", &map, 1, 0, inside("keep.svg"), &rep), ST_TOOL);
    assert_non_null(strstr(rep.text, "gnuplot-nox"));
    f = fopen(inside("gnuplot"), "w");
    assert_non_null(f);
    fputs("#!/bin/sh\necho 'line 3: out of ink' >&2\nexit 1\n", f);
    fclose(f);
    assert_int_equal(chmod(inside("gnuplot"), 0700), 0);
    assert_int_equal(figure_maps("", &map, 1, 0, inside("keep.svg"), &rep), ST_TOOL);
    assert_non_null(strstr(rep.text, "out of ink"));
    setenv("PATH", saved, 1);
    free(saved);
    assert_int_equal(unlink(inside("gnuplot")), 0);
    char *text = slurp(inside("keep.svg"), &size);
    assert_string_equal(text, old);
    free(text);
    assert_int_equal(count_entries(private_tmp), 0);
}

static void test_odd_maps(void **state)
{
    (void)state;
    double nothing[NY * NX];
    for (int i = 0; i < NY * NX; i++)
        nothing[i] = NAN;
    struct figure_map maps[5] = {map_of("no value"), map_of("one row"), map_of("one column"),
                                 map_of("one pixel"), map_of("all the same")};
    maps[0].value = nothing;
    maps[0].log_scale = true;
    maps[1].ny = 1;
    maps[2].nx = 1;
    maps[3].nx = maps[3].ny = 1;
    double same[NY * NX];
    for (int i = 0; i < NY * NX; i++)
        same[i] = 5;
    maps[4].value = same;
    maps[4].mark = NULL;
    draw("odd maps", maps, 5, 0, inside("odd.svg"));
    assert_svg_says(inside("odd.svg"), "no pixel has a value", 1);
    assert_svg_says(inside("odd.svg"), "white: without a value", 1);
    assert_svg_says(inside("odd.svg"), "median 5 Pa", 1);
}

static void test_panels(void **state)
{
    (void)state;
    double gap[NX];
    for (int i = 0; i < NX; i++)
        gap[i] = i == 3 ? (double)NAN : i;
    struct figure_series series[3] = {{"points", gap, gap, NX, 0, 1},
                                      {"line", gap, gap, NX, 1, 2},
                                      {"nothing", NULL, NULL, 0, 2, 3}};
    struct figure_panel panels[2] = {{"first", "Z (nm)", "force (nN)", series, 3},
                                     {"empty", "Z (nm)", "residual", NULL, 0}};
    struct report rep = {""};
    unsigned long width, height;
    assert_int_equal(
        figure_panels("title", panels, 2, "modulus 3 MPa\nflags", inside("p.svg"), &rep), ST_OK);
    const char *const said[] = {"title",      "first",  "Z (nm)",
                                "force (nN)", "points", "modulus 3 MPa"};
    for (size_t i = 0; i < sizeof said / sizeof *said; i++)
        assert_svg_says(inside("p.svg"), said[i], 1);
    assert_svg_says(inside("p.svg"), ">nothing<", 0); /* no key entry for a series without points */
    assert_svg_says(inside("p.svg"), "nothing to show", 1);
    assert_int_equal(figure_panels("title", panels, 2, "", inside("p.png"), &rep), ST_OK);
    png_size(inside("p.png"), &width, &height);
    assert_true(width > 1200 && height > 900);
}

static void test_scale(void **state)
{
    (void)state;
    struct figure_map map = map_of("");
    struct value_scale s;
    struct report rep = {""};
    double v[101];
    for (int i = 0; i < 101; i++)
        v[i] = i;
    map.value = v;
    map.mark = NULL;
    map.nx = 101;
    map.ny = 1;
    map.si_unit = "m";
    assert_int_equal(scale_make(&s, &map, &rep), ST_OK);
    assert_float_equal((float)s.low, 2, 1e-5);
    assert_float_equal((float)s.high, 98, 1e-5);
    assert_float_equal((float)s.median, 50, 1e-5);
    assert_float_equal((float)s.q75, 75, 1e-5);
    assert_int_equal(s.below, 2);
    assert_int_equal(s.above, 2);
    map.log_scale = true; /* zero has no place on a log scale, so it lies below it */
    assert_int_equal(scale_make(&s, &map, &rep), ST_OK);
    assert_true(s.log_scale && s.low > 0 && scale_place(&s, 0) < 0);
    assert_float_equal((float)scale_place(&s, sqrt(s.low * s.high)), 0.5F, 1e-6);
    map.low = -5; /* asked for, and impossible: linear */
    assert_int_equal(scale_make(&s, &map, &rep), ST_OK);
    assert_true(!s.log_scale && s.low == -5);
}

/* Pixel edges half way between centres; row 0 at the bottom; marks before colours. */
static void test_raster(void **state)
{
    (void)state;
    struct figure_map map = map_of("");
    struct value_scale s;
    struct raster_axis x, y;
    struct report rep = {""};
    size_t size;
    assert_int_equal(scale_make(&s, &map, &rep), ST_OK);
    assert_int_equal(raster_axis_make(&x, x_m, NX, 1e-6, &rep), ST_OK);
    assert_int_equal(raster_axis_make(&y, y_m, NY, 1e-6, &rep), ST_OK);
    assert_float_equal((float)(x.low_m * 1e9), -125, 1e-3);
    assert_float_equal((float)(x.high_m * 1e9), 1875, 1e-3);
    FILE *f = fopen(inside("raster"), "wb");
    assert_non_null(f);
    raster_write(f, &map, &s, &x, &y);
    fclose(f);
    char *rgb = slurp(inside("raster"), &size);
    assert_int_equal(size, 3 * x.n * y.n);
    for (size_t pixel = 0; pixel < NY * NX; pixel++) {
        size_t i = (pixel % NX) * (x.n / NX), j = (pixel / NX) * (y.n / NY);
        const unsigned char *got = (unsigned char *)rgb + 3 * (j * x.n + i);
        uint32_t want = mark[pixel] == 2   ? COLOUR_REJECTED
                        : mark[pixel] == 3 ? COLOUR_EMPTY
                                           : palette_map(scale_place(&s, value[pixel]));
        assert_int_equal((uint32_t)got[0] << 16 | (uint32_t)got[1] << 8 | got[2], want);
    }
    free(rgb);
    raster_axis_free(&x);
    raster_axis_free(&y);
    const double uneven[3] = {0, 1e-6, 4e-6}; /* edges -0.5 0.5 2.5 5.5 */
    assert_int_equal(raster_axis_make(&x, uneven, 3, 1e-6, &rep), ST_OK);
    assert_int_equal(x.from[0], 0);
    assert_int_equal(x.from[x.n / 6 + 2], 1);
    assert_int_equal(x.from[x.n / 2 + 2], 2);
    raster_axis_free(&x);
}

/* Lightness rises from end to end, and no colour of the palette is the grey of rejected pixels. */
static void test_palette(void **state)
{
    (void)state;
    double before = -1;
    for (int i = 0; i <= 100; i++) {
        uint32_t c = palette_map(i / 100.0);
        int r = (int)(c >> 16), g = (int)(c >> 8 & 255), b = (int)(c & 255);
        double luminance = 0.2126 * pow(r / 255.0, 2.2) + 0.7152 * pow(g / 255.0, 2.2) +
                           0.0722 * pow(b / 255.0, 2.2);
        assert_true(luminance > before);
        assert_true(abs(r - g) + abs(g - b) + abs(b - r) > 40);
        before = luminance;
    }
    assert_int_equal(palette_map(-3), palette_map(0));
    assert_int_equal(palette_map(7), palette_map(1));
}

static void test_ticks(void **state)
{
    (void)state;
    struct ticks t;
    ticks_make(&t, -0.1, 0.95, false, 5);
    assert_int_equal(t.n, 5);
    assert_string_equal(t.tick[0].label, "0");
    assert_string_equal(t.tick[3].label, "0.6");
    ticks_make(&t, 0.5, 2000, true, 5);
    size_t majors = 0;
    for (size_t i = 0; i < t.n; i++)
        majors += t.tick[i].major;
    assert_int_equal(majors, 4); /* 1 10 100 1000 */
    ticks_make(&t, 100, 300, true, 5);
    assert_true(t.n >= 3 && t.tick[0].major);
}

static void test_wrap(void **state)
{
    (void)state;
    struct text_lines lines;
    text_wrap(&lines, "one two three\nfour", 6 * 10, 10);
    assert_true(lines.n >= 3);
    assert_string_equal(lines.line[0], "one two");
    assert_string_equal(lines.line[lines.n - 1], "four");
    text_wrap(&lines, "abcdefghijklmnopqrstuvwxyz", 50, 10);
    assert_true(lines.n > 2);
    for (size_t i = 0; i < lines.n; i++)
        assert_true(text_width(lines.line[i], 10) <= 50 + 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_png_has_pixels),
                                       cmocka_unit_test(test_svg_and_pdf),
                                       cmocka_unit_test(test_hostile_text_is_text),
                                       cmocka_unit_test(test_hostile_path),
                                       cmocka_unit_test(test_nothing_left_behind),
                                       cmocka_unit_test(test_tool_failures),
                                       cmocka_unit_test(test_odd_maps),
                                       cmocka_unit_test(test_panels),
                                       cmocka_unit_test(test_scale),
                                       cmocka_unit_test(test_raster),
                                       cmocka_unit_test(test_palette),
                                       cmocka_unit_test(test_ticks),
                                       cmocka_unit_test(test_wrap)};
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
