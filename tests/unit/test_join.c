/* Several files as one volume: a part that is cut off while it is read is noticed, and named. */
#include "simulate/scene.h"
#include "volume/volume_join.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#undef fail
#include <cmocka.h>

static char folder[64];

static void path_of(int part, char *out, size_t size)
{
    snprintf(out, size, "%s/part%d.h5", folder, part);
}

static int make_parts(void **state)
{
    (void)state;
    struct report rep = {""};
    snprintf(folder, sizeof folder, "/tmp/cantle-test-XXXXXX");
    if (!mkdtemp(folder)) return -1;
    for (int part = 0; part < 2; part++) {
        char path[96];
        struct scene *scene;
        struct scene_options o = {.columns = 3, .rows = 2, .samples = 4096, .type = -1};
        o.seed = (uint64_t)part + 1;
        o.noise_m = o.modulus_pa = o.work_j_per_m2 = o.radius_m = o.half_angle_rad = NAN;
        o.face_angle_rad = o.spring_n_per_m = o.poisson_ratio = o.peak_force_n = NAN;
        o.tip_radius_factor = o.tip_adhesion_factor = o.tip_height_m = NAN;
        path_of(part, path, sizeof path);
        if (scene_new(&scene, "uniform", &o, &rep) != ST_OK) {
            fprintf(stderr, "%s\n", rep.text);
            return -1;
        }
        enum status st = scene_write(scene, path, true, &rep);
        scene_free(scene);
        if (st != ST_OK) return -1;
    }
    return 0;
}

static int remove_parts(void **state)
{
    (void)state;
    for (int part = 0; part < 2; part++) {
        char path[96];
        path_of(part, path, sizeof path);
        unlink(path);
    }
    return rmdir(folder);
}

static enum status open_part(void *context, const char *path, struct volume **out,
                             struct report *rep)
{
    (void)context;
    return volume_open(out, path, rep);
}

static void part_that_is_cut_off_is_named(void **state)
{
    (void)state;
    struct report rep = {""};
    char path[2][96];
    const char *list[2] = {path[0], path[1]};
    struct volume *v;
    struct stat facts;
    for (int part = 0; part < 2; part++)
        path_of(part, path[part], sizeof path[part]);
    const struct join_wish wish = {.path = list, .n = 2, .pitch_m = 1e-6, .open = open_part};
    assert_int_equal(volume_join(&v, &wish, &rep), ST_OK);
    assert_int_equal(volume_facts(v)->ny, 4);
    struct tile first = volume_tile(v, 0);
    assert_int_equal(volume_read_tile(v, first, &rep), ST_OK);
    assert_int_equal(stat(path[1], &facts), 0);
    assert_int_equal(truncate(path[1], facts.st_size - facts.st_size / 3), 0);
    enum status st = ST_OK;
    for (size_t i = 0; i < volume_tile_count(v) && st == ST_OK; i++)
        st = volume_read_tile(v, volume_tile(v, i), &rep);
    assert_int_equal(st, ST_INPUT);
    assert_non_null(strstr(rep.text, "part1.h5: has been cut off"));
    volume_close(&v);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(part_that_is_cut_off_is_named, make_parts, remove_parts)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
