/* The map file: written, finished, read back; and all the ways in which it must not be written. */
#include "base/units.h"
#include "contact/contact.h"
#include "maps/agree.h"
#include "maps/gather.h"
#include "maps/maps.h"
#include "maps/statistics.h"
#include "recipe/recipe.h"

#include <dirent.h>
#include <fcntl.h>
#include <gsl/gsl_sort_float.h>
#include <gsl/gsl_statistics_float.h>
#include <hdf5.h>
#include <math.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#define NY 3
#define NX 4
#define LAYERS 3

/* A volume that is not there, a recipe of defaults, and a folder of our own. */
struct scene {
    struct recipe recipe;
    struct curve_plan plan;
    struct volume_facts volume;
    struct maps_origin origin;
    double x_m[NX], y_m[NY];
    char folder[64], path[96], part[112], input[96];
    struct report rep;
};

static void write_text(const char *path, const char *text)
{
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    assert_true(fputs(text, f) >= 0);
    assert_int_equal(fclose(f), 0);
}

static bool holds_text(const char *path, const char *text)
{
    char found[64] = "";
    FILE *f = fopen(path, "r");
    if (!f) return false;
    bool same = fgets(found, sizeof found, f) && strcmp(found, text) == 0;
    fclose(f);
    return same;
}

static bool there(const char *path)
{
    return access(path, F_OK) == 0;
}

/* A file of a step of the work, PATH.starting-... or PATH.finishing-... */
static bool any_step_left(const struct scene *s)
{
    bool found = false;
    DIR *all = opendir(s->folder);
    assert_non_null(all);
    for (struct dirent *entry; (entry = readdir(all));)
        found = found || strstr(entry->d_name, "ing-");
    closedir(all);
    return found;
}

static bool one_line_with(const struct report *rep, const char *words)
{
    return !strchr(rep->text, '\n') && strstr(rep->text, words);
}

static int set_up(void **state)
{
    struct scene *s = calloc(1, sizeof *s);
    assert_non_null(s);
    snprintf(s->folder, sizeof s->folder, "/tmp/cantle-test-maps-XXXXXX");
    assert_non_null(mkdtemp(s->folder));
    snprintf(s->path, sizeof s->path, "%s/maps.h5", s->folder);
    snprintf(s->part, sizeof s->part, "%s.part", s->path);
    snprintf(s->input, sizeof s->input, "%s/volume.h5", s->folder);
    write_text(s->input, "a volume");
    assert_int_equal(recipe_default(&s->recipe, &s->rep), ST_OK);
    for (int i = 0; i < NX; i++)
        s->x_m[i] = 1e-6 * i;
    for (int i = 0; i < NY; i++)
        s->y_m[i] = 5e-6 + 0.5e-6 * i;
    s->volume.path = s->input;
    s->volume.ny = NY;
    s->volume.nx = NX;
    s->volume.x_m = s->x_m;
    s->volume.y_m = s->y_m;
    s->volume.file_bytes = 8;
    snprintf(s->volume.title, sizeof s->volume.title, "test");
    lever_clear(&s->plan.lever);
    s->plan.lever.item[LEVER_spring_constant] = (struct known){0.35, 0.02, "volume"};
    s->plan.model = contact_find("paraboloid");
    map_extent_clear(&s->plan.extent);
    s->plan.extent.analysis[ANALYSIS_depth] = true;
    s->plan.extent.length[AXIS_depth] = LAYERS;
    for (int i = 0; i < LAYERS; i++)
        s->plan.extent.at[AXIS_depth][i] = 20e-9 * i + 10e-9;
    s->plan.limit.surface_slope_rad = NAN;
    s->plan.setup = (struct contact_setup){.spring_n_per_m = 0.35};
    s->volume.tile_rows = s->volume.tile_cols = 3;
    s->origin = (struct maps_origin){.recipe = &s->recipe,
                                     .plan = &s->plan,
                                     .volume = &s->volume,
                                     .command_line = "cantle map volume.h5",
                                     .n_tiles = 2,
                                     .checkpoint_s = 30};
    *state = s;
    return 0;
}

static int tear_down(void **state)
{
    struct scene *s = *state;
    unlink(s->path);
    unlink(s->part);
    unlink(s->input);
    int rc = rmdir(s->folder); /* fails when something was left behind */
    recipe_free(&s->recipe);
    free(s);
    return rc;
}

/* An invented result: every map another number, in SI of a sensible size. */
static double invented(int map, size_t row, size_t col)
{
    return (1.0 + map + 10.0 * (double)row + 100.0 * (double)col) / 1024.0 * 1e-3;
}

static void invent(struct pixel_result *r, size_t row, size_t col)
{
    result_clear(r);
    for (int i = 0; i < MAP_COUNT; i++)
        r->map[i] = (struct measured){invented(i, row, col), 0.01 * invented(i, row, col)};
    r->state = STATE_accepted;
    if (row == 0 && col == 1) { /* rejected: no numbers */
        result_clear(r);
        r->flags = FLAG(no_contact);
        r->state = STATE_rejected;
    } else if (row == 2 && col == 3) { /* what a file must not hold */
        r->map[MAP_modulus].value = INFINITY;
        r->map[MAP_adhesion].error = NAN;
        r->flags = FLAG(no_adhesion_to_fit) | FLAG(noisy_baseline);
        r->state = STATE_doubtful;
    }
}

static enum status write_tile(struct maps *m, size_t index, struct tile t, struct report *rep)
{
    struct pixel_result results[NY * NX];
    for (size_t i = 0; i < t.rows * t.cols; i++)
        invent(&results[i], t.row0 + i / t.cols, t.col0 + i % t.cols);
    return maps_write_tile(m, index, t, results, (struct digest){index, UINT64_MAX}, rep);
}

static void create(struct scene *s, struct maps **m, bool overwrite)
{
    assert_int_equal(maps_create(m, s->path, overwrite, &s->origin, MPI_COMM_SELF, &s->rep), ST_OK);
    assert_true(there(s->part));
}

static void write_all(struct scene *s, struct maps *m)
{
    assert_int_equal(write_tile(m, 1, (struct tile){0, 3, 3, 1}, &s->rep), ST_OK);
    assert_int_equal(write_tile(m, 0, (struct tile){0, 0, 3, 3}, &s->rep), ST_OK);
}

static void make(struct scene *s, struct maps_summary *summary)
{
    struct maps *m;
    create(s, &m, false);
    write_all(s, m);
    assert_int_equal(maps_finish(&m, NULL, summary, &s->rep), ST_OK);
    assert_null(m);
}

static float in_file(double si, double factor)
{
    return (float)(si * factor);
}

/* Values and errors of one map at (row, col) of the volume, stored at (i, j). */
static void expect_pixel(const struct maps_view *v, int map, double factor, size_t row, size_t col,
                         size_t i, size_t j)
{
    struct pixel_result r;
    const size_t at = i * NX + j;
    invent(&r, row, col);
    const bool value = isfinite(r.map[map].value);
    if (value)
        assert_true(v->map[map][at] == in_file(r.map[map].value, factor));
    else
        assert_true(isnan(v->map[map][at]));
    if (map_rows[map].errors && value && isfinite(r.map[map].error))
        assert_true(v->error[map][at] == in_file(r.map[map].error, factor));
    else if (map_rows[map].errors)
        assert_true(isnan(v->error[map][at]));
    assert_int_equal(v->state[at], r.state);
    assert_int_equal(v->flags[at], r.flags);
}

static void expect_maps(const struct maps_view *v, bool y_flipped, bool x_flipped)
{
    struct report rep;
    for (int map = 0; map < MAP_COUNT; map++) {
        double factor;
        if (map_rows[map].axis == AXIS_depth && map_layer(map) >= LAYERS) {
            assert_null(v->map[map]);
            continue;
        }
        assert_int_equal(v->map[map] != NULL, map_rows[map].analysis == ANALYSIS_always ||
                                                  map_rows[map].analysis == ANALYSIS_depth);
        if (!v->map[map]) continue;
        assert_int_equal(v->error[map] != NULL, map_rows[map].errors);
        assert_string_equal(v->unit[map], map_rows[map].unit);
        if (map == MAP_surface_slope) continue; /* made in the finish, not written */
        assert_int_equal(units_from_si(map_rows[map].si_unit, v->unit[map], &factor, &rep), ST_OK);
        for (size_t row = 0; row < NY; row++)
            for (size_t col = 0; col < NX; col++)
                expect_pixel(v, map, factor, row, col, y_flipped ? NY - 1 - row : row,
                             x_flipped ? NX - 1 - col : col);
    }
}

static void written_and_read_back(void **state)
{
    struct scene *s = *state;
    struct maps_summary summary;
    struct maps_view v;
    make(s, &summary);
    assert_false(there(s->part));
    assert_false(any_step_left(s));
    assert_true(maps_is_one(s->path));
    assert_int_equal(maps_view_load(&v, s->path, &s->rep), ST_OK);
    assert_int_equal(v.ny, NY);
    assert_int_equal(v.nx, NX);
    assert_string_equal(v.title, "test");
    assert_string_equal(v.source_path, s->input);
    assert_false(v.y_flipped || v.x_flipped);
    for (int i = 0; i < NX; i++)
        assert_true(fabs(v.x_m[i] - s->x_m[i]) < 1e-18);
    for (int i = 0; i < NY; i++)
        assert_true(fabs(v.y_m[i] - s->y_m[i]) < 1e-18);
    expect_maps(&v, false, false);
    assert_memory_equal(&v.summary.state, &summary.state, sizeof summary.state);
    assert_memory_equal(&v.summary.flag, &summary.flag, sizeof summary.flag);
    assert_string_equal(v.summary.digest, summary.digest);
    assert_non_null(strstr(v.provenance_json, "\"ranks\": 1"));
    assert_non_null(strstr(v.provenance_json, "cantle map volume.h5"));
    maps_view_free(&v);
}

static void statistics_are_those_of_the_pixels(void **state)
{
    struct scene *s = *state;
    struct maps_summary summary;
    make(s, &summary);
    assert_int_equal(summary.state[STATE_accepted], 10);
    assert_int_equal(summary.state[STATE_doubtful], 1);
    assert_int_equal(summary.state[STATE_rejected], 1);
    assert_int_equal(summary.state[STATE_pending], 0);
    assert_int_equal(summary.flag[FLAGBIT_no_contact], 1);
    assert_int_equal(summary.flag[FLAGBIT_no_adhesion_to_fit], 1);
    assert_int_equal(summary.flag[FLAGBIT_absent], 0);
    /* adhesion: 11 pixels; in ascending order 0 10 20 110 120 200 210 220 300 310 320 beside its 2
     */
    assert_int_equal(summary.map[MAP_adhesion].n, 11);
    assert_true(fabs(summary.map[MAP_adhesion].median / (202.0 / 1024 * 1e-3) - 1) < 1e-6);
    assert_true(fabs(summary.map[MAP_adhesion].q25 / (67.0 / 1024 * 1e-3) - 1) < 1e-6);
    assert_true(fabs(summary.map[MAP_adhesion].q75 / (262.0 / 1024 * 1e-3) - 1) < 1e-6);
    assert_true(fabs(summary.map[MAP_adhesion].low / (4.0 / 1024 * 1e-3) - 1) < 1e-6);
    assert_true(fabs(summary.map[MAP_adhesion].high / (320.0 / 1024 * 1e-3) - 1) < 1e-6);
    assert_int_equal(summary.map[MAP_modulus].n, 10); /* infinity does not count */
    /* tiles (0, max) and (1, max): the sum carries */
    assert_string_equal(summary.digest, "0000000000000002fffffffffffffffe");
}

/* Against GSL on sorted numbers, in maps of all sizes, also with many equal ones; pixels that do
 * not count are between. */
static void quantiles_are_those_of_sorted_numbers(void **unused)
{
    (void)unused;
    enum { MOST = 400 };
    uint32_t seed = 7;
    for (size_t n = 1; n <= MOST; n += 1 + n / 20)
        for (uint32_t kinds = 1; kinds <= 100000; kinds *= 10) {
            float values[MOST], sorted[MOST];
            uint8_t state[MOST];
            double found[QUANTILE_COUNT];
            size_t kept = 0;
            for (size_t i = 0; i < n; i++) {
                seed = seed * 1664525 + 1013904223;
                values[i] = (float)((seed >> 8) % kinds) - 50.0f;
                state[i] = (seed >> 4) % 5 == 0 ? STATE_rejected : STATE_doubtful;
                if (seed % 11 == 0) values[i] = NAN;
                if (state[i] == STATE_doubtful && isfinite(values[i])) sorted[kept++] = values[i];
            }
            gsl_sort_float(sorted, 1, kept);
            assert_int_equal(statistics_of_map(values, state, n, found), kept);
            for (int q = 0; q < QUANTILE_COUNT; q++)
                if (kept == 0)
                    assert_true(isnan(found[q]));
                else
                    assert_true(found[q] == gsl_stats_float_quantile_from_sorted_data(
                                                sorted, 1, kept, statistics_quantiles[q]));
        }
}

/* Heights of a plane that climbs by 0.3 along y and 0.4 along x; `invent` rejects (0, 1), so that
 * (0, 0) has no neighbour along x. */
static enum status write_plane(struct scene *s, struct maps *m)
{
    struct pixel_result results[NY * NX];
    for (size_t i = 0; i < NY * NX; i++) {
        invent(&results[i], i / NX, i % NX);
        results[i].map[MAP_contact_height].value = 0.3 * s->y_m[i / NX] + 0.4 * s->x_m[i % NX];
    }
    results[1].map[MAP_contact_height].value = 1; /* rejected: nobody may look at it */
    return maps_write_tile(m, 0, (struct tile){0, 0, NY, NX}, results, (struct digest){0, 0},
                           &s->rep);
}

static void slope_is_found_in_the_finish(void **state)
{
    struct scene *s = *state;
    const double slope = atan(0.5), degree = acos(-1) / 180;
    struct maps *m;
    struct maps_summary summary;
    struct maps_view v;
    s->origin.n_tiles = 1;
    for (int steep = 0; steep <= 1; steep++) {
        s->plan.limit.surface_slope_rad = steep ? slope - 1e-3 : slope + 1e-3;
        create(s, &m, steep);
        assert_int_equal(write_plane(s, m), ST_OK);
        assert_int_equal(maps_finish(&m, NULL, &summary, &s->rep), ST_OK);
        assert_int_equal(maps_view_load(&v, s->path, &s->rep), ST_OK);
        for (size_t i = 0; i < NY * NX; i++) {
            double found = (double)v.map[MAP_surface_slope][i];
            assert_true(i <= 1 ? isnan(found) : fabs(found * degree - slope) < 1e-6);
            assert_int_equal((v.flags[i] & FLAG(steep)) != 0, steep && i > 1);
            assert_int_equal(v.state[i], i == 1                        ? STATE_rejected
                                         : (steep && i > 1) || i == 11 ? STATE_doubtful
                                                                       : STATE_accepted);
        }
        assert_int_equal(summary.flag[FLAGBIT_steep], steep ? 10 : 0);
        assert_int_equal(summary.state[STATE_doubtful], steep ? 10 : 1);
        assert_int_equal(summary.map[MAP_surface_slope].n, 10);
        assert_true(fabs(summary.map[MAP_surface_slope].median - slope) < 1e-6);
        maps_view_free(&v);
    }
}

static void descending_positions_are_turned_round(void **state)
{
    struct scene *s = *state;
    struct maps_summary summary;
    struct maps_view v;
    for (int i = 0; i < NY; i++)
        s->y_m[i] = 5e-6 - 0.5e-6 * i;
    for (int i = 0; i < NX; i++)
        s->x_m[i] = -1e-6 * i;
    make(s, &summary);
    assert_int_equal(maps_view_load(&v, s->path, &s->rep), ST_OK);
    assert_true(v.y_flipped && v.x_flipped);
    assert_true(fabs(v.y_m[0] - 4e-6) < 1e-18 && fabs(v.y_m[NY - 1] - 5e-6) < 1e-18);
    assert_true(fabs(v.x_m[0] + 3e-6) < 1e-18);
    expect_maps(&v, true, true);
    maps_view_free(&v);
}

static void moduli_come_in_the_unit_of_the_recipe(void **state)
{
    struct scene *s = *state;
    struct maps_summary summary;
    struct maps_view v;
    snprintf(s->recipe.v[KEY_output_modulus_unit].text, sizeof s->recipe.v[0].text, "Pa");
    s->recipe.v[KEY_output_compression].si = 0;
    make(s, &summary);
    assert_int_equal(maps_view_load(&v, s->path, &s->rep), ST_OK);
    assert_string_equal(v.unit[MAP_modulus], "Pa");
    assert_string_equal(v.unit[MAP_reduced_modulus], "Pa");
    assert_string_equal(v.unit[MAP_mean_pressure], "kPa");
    assert_true(v.map[MAP_modulus][0] == (float)invented(MAP_modulus, 0, 0));
    maps_view_free(&v);
}

static void one_row_is_a_map_too(void **state)
{
    struct scene *s = *state;
    struct maps *m;
    struct maps_summary summary;
    struct maps_view v;
    s->volume.ny = 1;
    s->origin.n_tiles = 1;
    create(s, &m, false);
    assert_int_equal(write_tile(m, 0, (struct tile){0, 0, 1, NX}, &s->rep), ST_OK);
    assert_int_equal(maps_finish(&m, NULL, &summary, &s->rep), ST_OK);
    assert_int_equal(maps_view_load(&v, s->path, &s->rep), ST_OK);
    assert_int_equal(v.ny, 1);
    assert_true(v.map[MAP_modulus][2] == in_file(invented(MAP_modulus, 0, 2), 1e-3));
    maps_view_free(&v);
}

static void unfinished_file_shows_what_is_done(void **state)
{
    struct scene *s = *state;
    struct maps *m;
    struct maps_view v;
    create(s, &m, false);
    assert_int_equal(write_tile(m, 0, (struct tile){0, 0, 3, 3}, &s->rep), ST_OK);
    maps_drop(&m, false);
    assert_null(m);
    assert_true(there(s->part));
    assert_false(there(s->path));
    assert_int_equal(maps_view_load(&v, s->part, &s->rep), ST_OK);
    assert_int_equal(v.summary.state[STATE_pending], 3);
    assert_int_equal(v.state[3], STATE_pending);
    assert_true(isnan(v.map[MAP_modulus][3]));
    assert_true(v.map[MAP_adhesion][2] == in_file(invented(MAP_adhesion, 0, 2), 1e9));
    maps_view_free(&v);
}

static void dropped_file_is_removed(void **state)
{
    struct scene *s = *state;
    struct maps *m;
    create(s, &m, false);
    maps_drop(&m, true);
    assert_false(there(s->part));
}

static void expect_refusal(struct scene *s, bool overwrite, const char *words)
{
    struct maps *m = NULL;
    assert_int_equal(maps_create(&m, s->path, overwrite, &s->origin, MPI_COMM_SELF, &s->rep),
                     ST_OUTPUT);
    assert_null(m);
    if (!one_line_with(&s->rep, words)) fail_msg("'%s' does not say '%s'", s->rep.text, words);
}

static void existing_output_is_refused(void **state)
{
    struct scene *s = *state;
    write_text(s->path, "mine");
    expect_refusal(s, false, "maps.h5 exists; choose another name or add --overwrite");
    assert_true(holds_text(s->path, "mine"));
    assert_false(there(s->part));
}

static void unfinished_output_is_refused(void **state)
{
    struct scene *s = *state;
    write_text(s->part, "half");
    expect_refusal(s, false, "maps.h5.part is there from an unfinished run");
    assert_true(holds_text(s->part, "half"));
}

static void overwrite_replaces_at_the_end(void **state)
{
    struct scene *s = *state;
    struct maps *m;
    struct maps_summary summary;
    write_text(s->path, "old");
    write_text(s->part, "half");
    create(s, &m, true);
    write_all(s, m);
    assert_true(holds_text(s->path, "old"));
    assert_int_equal(maps_finish(&m, NULL, &summary, &s->rep), ST_OK);
    assert_true(maps_is_one(s->path));
    assert_false(there(s->part));
}

static void the_volume_is_never_overwritten(void **state)
{
    struct scene *s = *state;
    assert_int_equal(link(s->input, s->path), 0);
    expect_refusal(s, true, "is itself an input");
    assert_true(holds_text(s->input, "a volume"));
    unlink(s->path);
    assert_int_equal(link(s->input, s->part), 0);
    expect_refusal(s, true, "is itself an input");
    assert_true(there(s->part));
}

static void bad_folders_are_named(void **state)
{
    struct scene *s = *state;
    char good[sizeof s->path];
    memcpy(good, s->path, sizeof good);
    snprintf(s->path, sizeof s->path, "%s/none/maps.h5", s->folder);
    expect_refusal(s, false, "there is no folder");
    snprintf(s->path, sizeof s->path, "%s/volume.h5/maps.h5", s->folder);
    expect_refusal(s, false, "cannot be created");
    snprintf(s->path, sizeof s->path, "%s", s->folder);
    expect_refusal(s, true, "is not a plain file");
    memcpy(s->path, good, sizeof good);
    /* root may write everywhere: be someone else for a moment */
    assert_int_equal(chmod(s->folder, 0555), 0);
    uid_t me = geteuid();
    if (me == 0) assert_int_equal(seteuid(65534), 0);
    struct maps *m = NULL;
    enum status st = maps_create(&m, s->path, false, &s->origin, MPI_COMM_SELF, &s->rep);
    assert_int_equal(seteuid(me), 0);
    assert_int_equal(chmod(s->folder, 0755), 0);
    assert_int_equal(st, ST_OUTPUT);
    assert_true(one_line_with(&s->rep, "Permission denied"));
}

static void limit_file_size(rlim_t bytes)
{
    struct rlimit limit;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &limit), 0);
    limit.rlim_cur = bytes;
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
}

static void full_disk_at_the_start(void **state)
{
    struct scene *s = *state;
    limit_file_size(10000);
    expect_refusal(s, false, "File too large");
    limit_file_size(RLIM_INFINITY);
    assert_false(there(s->part));
    assert_false(there(s->path));
}

/* At several sizes, so that different writes are the ones that fail. */
static void full_disk_at_the_end(void **state)
{
    struct scene *s = *state;
    for (rlim_t bytes = 1000; bytes <= 61000; bytes += 20000) {
        struct maps *m;
        struct maps_summary summary;
        write_text(s->path, "old");
        create(s, &m, true);
        write_all(s, m);
        limit_file_size(bytes);
        enum status st = maps_finish(&m, NULL, &summary, &s->rep);
        limit_file_size(RLIM_INFINITY);
        assert_int_equal(st, ST_OUTPUT);
        assert_null(m);
        assert_true(one_line_with(&s->rep, "File too large"));
        assert_true(holds_text(s->path, "old"));
        assert_true(there(s->part));
        assert_false(any_step_left(s));
    }
}

static void output_that_appears_meanwhile_is_left_alone(void **state)
{
    struct scene *s = *state;
    struct maps *m;
    struct maps_summary summary;
    create(s, &m, false);
    write_all(s, m);
    write_text(s->path, "another");
    assert_int_equal(maps_finish(&m, NULL, &summary, &s->rep), ST_OUTPUT);
    assert_true(one_line_with(&s->rep, "has appeared while"));
    assert_true(holds_text(s->path, "another"));
    assert_true(there(s->part));
    assert_false(any_step_left(s));
}

static void resume(struct scene *s, struct maps **m, bool take_over, struct maps_found *found)
{
    assert_int_equal(
        maps_resume(m, s->path, false, take_over, &s->origin, MPI_COMM_SELF, found, &s->rep),
        ST_OK);
}

static void resume_finds_what_is_left(void **state)
{
    struct scene *s = *state;
    struct maps *m;
    struct maps_summary summary;
    struct maps_found found;
    struct maps_view v;
    resume(s, &m, false, &found); /* nothing there: begins */
    assert_int_equal(found.run, 1);
    assert_int_equal(found.pixels, 0);
    assert_int_equal(maps_tile_left(m, 0), TILE_PENDING);
    assert_int_equal(write_tile(m, 1, (struct tile){0, 3, 3, 1}, &s->rep), ST_OK);
    assert_int_equal(write_tile(m, 0, (struct tile){1, 0, 1, 2}, &s->rep), ST_OK);
    maps_drop(&m, false);
    resume(s, &m, false, &found);
    assert_false(found.finished);
    assert_int_equal(found.run, 2);
    assert_int_equal(found.pixels, 5);
    assert_int_equal(maps_tile_left(m, 1), TILE_DONE);
    assert_null(maps_tile_done(m, 1));
    assert_true(maps_tile_digest(m, 1).high == 1 && maps_tile_digest(m, 1).low == UINT64_MAX);
    assert_int_equal(maps_tile_left(m, 0), TILE_TORN);
    static const uint8_t done[9] = {0, 0, 0, 1, 1, 0, 0, 0, 0};
    assert_memory_equal(maps_tile_done(m, 0), done, sizeof done);
    assert_int_equal(write_tile(m, 0, (struct tile){0, 0, 1, 3}, &s->rep), ST_OK);
    assert_int_equal(write_tile(m, 0, (struct tile){1, 2, 1, 1}, &s->rep), ST_OK);
    assert_int_equal(write_tile(m, 0, (struct tile){2, 0, 1, 3}, &s->rep), ST_OK);
    assert_int_equal(maps_finish(&m, NULL, &summary, &s->rep), ST_OK);
    assert_int_equal(maps_view_load(&v, s->path, &s->rep), ST_OK);
    assert_int_equal(v.extent.length[AXIS_depth], LAYERS);
    for (int i = 0; i < LAYERS; i++)
        assert_true(fabs(v.extent.at[AXIS_depth][i] / (20e-9 * i + 10e-9) - 1) < 1e-12);
    expect_maps(&v, false, false);
    maps_view_free(&v);
    resume(s, &m, false, &found);
    assert_true(found.finished);
    assert_null(m);
}

static void torn_tiles_are_told_in_the_volumes_order(void **state)
{
    struct scene *s = *state;
    struct maps *m;
    struct maps_found found;
    static const uint8_t done[9] = {0, 1, 0, 0, 0, 0, 0, 0, 0};
    for (int i = 0; i < NY; i++)
        s->y_m[i] = 5e-6 - 0.5e-6 * i;
    for (int i = 0; i < NX; i++)
        s->x_m[i] = -1e-6 * i;
    create(s, &m, false);
    assert_int_equal(write_tile(m, 0, (struct tile){0, 1, 1, 1}, &s->rep), ST_OK);
    maps_drop(&m, false);
    resume(s, &m, false, &found);
    assert_memory_equal(maps_tile_done(m, 0), done, sizeof done);
    maps_drop(&m, true);
}

static void states_wait_for_the_checkpoint(void **state)
{
    struct scene *s = *state;
    struct maps *m;
    struct maps_view v;
    s->origin.checkpoint_s = 1e9;
    create(s, &m, false);
    assert_int_equal(write_tile(m, 1, (struct tile){0, 3, 3, 1}, &s->rep), ST_OK);
    assert_int_equal(maps_view_load(&v, s->part, &s->rep), ST_OK);
    assert_int_equal(v.summary.state[STATE_pending], NX * NY);
    maps_view_free(&v);
    assert_int_equal(maps_checkpoint(m, &s->rep), ST_OK);
    assert_int_equal(maps_view_load(&v, s->part, &s->rep), ST_OK);
    assert_int_equal(v.summary.state[STATE_pending], NX * NY - 3);
    maps_view_free(&v);
    maps_drop(&m, true);
}

/* Values that could not be written: their pixels are not said to be done, and the next run does
 * them. */
static void a_failing_disk_leaves_tiles_pending(void **state)
{
    struct scene *s = *state;
    struct maps *m;
    struct maps_found found;
    create(s, &m, false);
    assert_int_equal(write_tile(m, 1, (struct tile){0, 3, 3, 1}, &s->rep), ST_OK);
    assert_int_equal(maps_checkpoint(m, &s->rep), ST_OK);
    assert_int_equal(write_tile(m, 0, (struct tile){0, 0, 3, 3}, &s->rep), ST_OK);
    limit_file_size(100);
    assert_int_equal(maps_checkpoint(m, &s->rep), ST_OUTPUT);
    limit_file_size(RLIM_INFINITY);
    assert_true(one_line_with(&s->rep, "cannot be written: File too large"));
    assert_int_equal(maps_checkpoint(m, &s->rep), ST_OK); /* nothing is left to save */
    maps_drop(&m, false);
    resume(s, &m, false, &found);
    assert_int_equal(found.pixels, 3);
    maps_drop(&m, true);
}

/* An array of 200,000 words cut at invented places, in invented order, with gaps: each word arrives
 * where it belongs, and nothing is written between. */
static void blocks_in_any_order_go_to_their_places(void **state)
{
    struct scene *s = *state;
    enum { WORDS = 200000, GAP = 0x5a5a5a5a };
    uint32_t *file = malloc(WORDS * sizeof *file), *memory = malloc(WORDS * sizeof *memory),
             *wanted = malloc(WORDS * sizeof *wanted), seed = 1;
    unsigned char *room = malloc(GATHER_BYTES);
    struct extents list = {0};
    size_t from = 0;
    assert_non_null(file);
    assert_non_null(memory);
    assert_non_null(wanted);
    assert_non_null(room);
    for (size_t i = 0; i < WORDS; i++)
        wanted[i] = GAP;
    for (size_t at = 0; at < WORDS;) {
        seed = seed * 1664525 + 1013904223;
        /* now and then larger than the room */
        size_t n = seed % 50 == 0 ? GATHER_BYTES / sizeof *file + 17 : 1 + (seed >> 16) % 900;
        if (n > WORDS - at) n = WORDS - at;
        if ((seed >> 8) % 4 != 0) {
            assert_int_equal(extents_add(&list, (struct extent){at, from, n}, &s->rep), ST_OK);
            for (size_t i = 0; i < n; i++)
                memory[from + i] = wanted[at + i] = seed + (uint32_t)i;
            from += n;
        }
        at += n;
    }
    for (size_t i = 0; i < list.n; i++) { /* shuffled */
        seed = seed * 1664525 + 1013904223;
        size_t other = (seed >> 8) % list.n;
        struct extent kept = list.each[i];
        list.each[i] = list.each[other], list.each[other] = kept;
    }
    int fd = open(s->path, O_RDWR | O_CREAT | O_TRUNC, 0600);
    assert_true(fd >= 0);
    for (size_t i = 0; i < WORDS; i++)
        file[i] = GAP;
    assert_int_equal(pwrite(fd, file, WORDS * sizeof *file, 8), WORDS * sizeof *file);
    extents_sort(&list);
    assert_int_equal(gather_write(fd, &list, 8, sizeof *memory, memory, room), 0);
    assert_int_equal(pread(fd, file, WORDS * sizeof *file, 8), WORDS * sizeof *file);
    assert_memory_equal(file, wanted, WORDS * sizeof *file);
    close(fd);
    extents_free(&list);
    free(file);
    free(memory);
    free(wanted);
    free(room);
}

static void the_run_that_was_taken_over_writes_nothing(void **state)
{
    struct scene *s = *state;
    struct maps *old, *new;
    struct maps_found found;
    struct maps_view v;
    create(s, &old, false);
    assert_int_equal(write_tile(old, 1, (struct tile){0, 3, 3, 1}, &s->rep), ST_OK);
    assert_int_equal(
        maps_resume(&new, s->path, false, false, &s->origin, MPI_COMM_SELF, &found, &s->rep),
        ST_OUTPUT);
    assert_true(one_line_with(&s->rep, "is being written by another run"));
    resume(s, &new, true, &found);
    assert_int_equal(maps_checkpoint(old, &s->rep), ST_OUTPUT);
    assert_true(
        one_line_with(&s->rep, "taken over by another run (number 2 there, this is number"));
    assert_int_equal(write_tile(old, 0, (struct tile){0, 0, 3, 3}, &s->rep), ST_OUTPUT);
    assert_int_equal(maps_view_load(&v, s->part, &s->rep), ST_OK);
    assert_int_equal(v.summary.state[STATE_pending], NX * NY);
    assert_true(isnan(v.map[MAP_modulus][0]));
    maps_view_free(&v);
    maps_drop(&old, true);
    maps_drop(&new, true);
}

static void other_work_is_not_resumed(void **state)
{
    struct scene *s = *state;
    struct maps *m;
    struct maps_found found;
    create(s, &m, false);
    maps_drop(&m, false);
    s->plan.lever.item[LEVER_spring_constant].u = 0.03;
    assert_int_equal(
        maps_resume(&m, s->path, false, false, &s->origin, MPI_COMM_SELF, &found, &s->rep),
        ST_OUTPUT);
    assert_true(one_line_with(&s->rep, "standard uncertainty of spring_constant as used was 0.02, "
                                       "now 0.03"));
    s->plan.lever.item[LEVER_spring_constant].u = 0.02;
    s->origin.setup.low = 1;
    assert_int_equal(
        maps_resume(&m, s->path, false, false, &s->origin, MPI_COMM_SELF, &found, &s->rep),
        ST_OUTPUT);
    assert_true(one_line_with(&s->rep, "volume.axes_units_and_masks was"));
    assert_true(there(s->part));
}

static void tile_outside_is_a_bug(void **state)
{
    struct scene *s = *state;
    struct maps *m;
    create(s, &m, false);
    struct pixel_result r;
    result_clear(&r);
    struct digest none = {0, 0};
    assert_int_equal(maps_write_tile(m, 0, (struct tile){NY, 0, 1, 1}, &r, none, &s->rep), ST_BUG);
    assert_int_equal(maps_write_tile(m, 2, (struct tile){0, 0, 1, 1}, &r, none, &s->rep), ST_BUG);
    maps_drop(&m, true);
}

static void expect_not_loaded(struct scene *s, const char *words)
{
    struct maps_view v;
    assert_int_equal(maps_view_load(&v, s->path, &s->rep), ST_INPUT);
    if (!one_line_with(&s->rep, words)) fail_msg("'%s' does not say '%s'", s->rep.text, words);
}

/* Take a dataset out of a finished file, and put zeros of another length in its place if asked. */
static void spoil(struct scene *s, const char *name, hsize_t other_length)
{
    hid_t file = H5Fopen(s->path, H5F_ACC_RDWR, H5P_DEFAULT);
    assert_true(file >= 0);
    assert_true(H5Ldelete(file, name, H5P_DEFAULT) >= 0);
    if (other_length > 0) {
        hid_t space = H5Screate_simple(1, &other_length, NULL);
        hid_t set = H5Dcreate2(file, name, H5T_NATIVE_FLOAT, space, H5P_DEFAULT, H5P_DEFAULT,
                               H5P_DEFAULT);
        assert_true(H5Dclose(set) >= 0);
        assert_true(H5Sclose(space) >= 0);
    }
    assert_true(H5Fclose(file) >= 0);
}

static void other_files_are_refused_on_reading(void **state)
{
    struct scene *s = *state;
    struct maps_summary summary;
    struct maps_view v;
    expect_not_loaded(s, "not a map file");
    write_text(s->path, "text");
    expect_not_loaded(s, "not a map file");
    assert_false(maps_is_one(s->path));
    unlink(s->path);
    make(s, &summary);
    spoil(s, "/entry/maps/indentation", 0);
    assert_int_equal(maps_view_load(&v, s->path, &s->rep), ST_OK);
    assert_null(v.map[MAP_indentation]);
    assert_int_equal(v.summary.map[MAP_indentation].n, 0);
    maps_view_free(&v);
    spoil(s, "/entry/maps/modulus", 5);
    expect_not_loaded(s, "/entry/maps/modulus: its shape does not fit what it goes with");
    spoil(s, "/entry/maps/modulus", 0);
    spoil(s, "/entry/maps/state", 0);
    expect_not_loaded(s, "/entry/maps/state: there is no such dataset");
    spoil(s, "/entry/maps/x", 4);
    expect_not_loaded(s, "/entry/maps/x: the attribute units is missing");
}

static void one_rank_agrees_with_itself(void **state)
{
    struct scene *s = *state;
    assert_int_equal(agree(MPI_COMM_WORLD, ST_OK, &s->rep), ST_OK);
    assert_int_equal(agree(MPI_COMM_WORLD, (fail)(&s->rep, ST_INPUT, "why"), &s->rep), ST_INPUT);
    assert_string_equal(s->rep.text, "why");
}

#define T(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        T(written_and_read_back),
        T(statistics_are_those_of_the_pixels),
        cmocka_unit_test(quantiles_are_those_of_sorted_numbers),
        T(slope_is_found_in_the_finish),
        T(descending_positions_are_turned_round),
        T(moduli_come_in_the_unit_of_the_recipe),
        T(one_row_is_a_map_too),
        T(unfinished_file_shows_what_is_done),
        T(dropped_file_is_removed),
        T(existing_output_is_refused),
        T(unfinished_output_is_refused),
        T(overwrite_replaces_at_the_end),
        T(the_volume_is_never_overwritten),
        T(bad_folders_are_named),
        T(full_disk_at_the_start),
        T(full_disk_at_the_end),
        T(output_that_appears_meanwhile_is_left_alone),
        T(resume_finds_what_is_left),
        T(torn_tiles_are_told_in_the_volumes_order),
        T(states_wait_for_the_checkpoint),
        T(a_failing_disk_leaves_tiles_pending),
        T(blocks_in_any_order_go_to_their_places),
        T(the_run_that_was_taken_over_writes_nothing),
        T(other_work_is_not_resumed),
        T(tile_outside_is_a_bug),
        T(other_files_are_refused_on_reading),
        T(one_rank_agrees_with_itself),
    };
    MPI_Init(&argc, &argv);
    signal(SIGXFSZ, SIG_IGN); /* a file that grows too large shall fail, not kill */
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    units_close();
    MPI_Finalize();
    return failed;
}
