/* Everything that the program does with a volume before it writes. */
#include "fuzz.h"

#include "command/describe.h"
#include "curve/curve.h"
#include "volume/volume.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A recipe that lacks nothing, so that a volume without calibration is analysed too. */
static const char recipe_text[] =
    "calibration:\n  deflection_sensitivity: 50 nm/V\n  quadrant_sensitivity: 50 nm\n"
    "  spring_constant: 0.3 N/m\ntip:\n  tip_radius: 40 nm\n";

static struct recipe recipe;

/* Made once, and kept: it does not depend on the input. */
static const struct recipe *the_recipe(void)
{
    struct report rep;
    if (!recipe.text &&
        recipe_parse(&recipe, recipe_text, strlen(recipe_text), "fuzz", &rep) != ST_OK)
        fuzz_wrong(rep.text);
    return &recipe;
}

static void check_result(const struct pixel_result *r)
{
    if ((unsigned)r->state >= STATE_COUNT) fuzz_wrong("a pixel with no state");
    for (int i = 0; i < MAP_COUNT; i++)
        if (isinf(r->map[i].value)) fuzz_wrong("a map holds an infinite value");
}

static void analyse(struct volume *v, const struct curve_plan *plan, struct curve_work *work,
                    struct tile t)
{
    for (size_t i = 0; i < t.rows * t.cols && i < 2; i++) {
        struct raw_curve raw;
        struct pixel_result result;
        volume_curve(v, t.row0 + i / t.cols, t.col0 + i % t.cols, &raw);
        if (!work) continue;
        curve_analyse(plan, &raw, work, &result, NULL);
        check_result(&result);
    }
}

void fuzz_read_tiles(struct volume *v)
{
    const struct volume_facts *f = volume_facts(v);
    enum signal_stage stages[SEG_COUNT];
    bool there[SEG_COUNT];
    struct curve_plan plan = {0};
    struct report rep = {""};
    size_t n_max = 1, tiles = volume_tile_count(v);
    if (tiles == 0 || f->nx == 0 || f->ny == 0) fuzz_wrong("a volume without pixels was opened");
    for (int s = 0; s < SEG_COUNT; s++) {
        stages[s] = f->seg[s].stage;
        there[s] = f->seg[s].there;
        if (there[s] && f->seg[s].n > n_max) n_max = f->seg[s].n;
    }
    enum status st = curve_plan_make(the_recipe(), &f->lever, stages, there, &plan, &rep);
    plan.pixel_pitch_m = volume_pixel_pitch(f);
    fuzz_check_status(st, &rep);
    struct curve_work *work = st == ST_OK && n_max <= 4096 ? curve_work_new(n_max) : NULL;
    const size_t some[3] = {0, tiles / 2, tiles - 1};
    for (size_t i = 0; i < 3; i++) {
        struct tile t = volume_tile(v, some[i]);
        st = volume_read_tile(v, t, &rep);
        fuzz_check_status(st, &rep);
        if (st != ST_OK) continue;
        analyse(v, &plan, work, t);
        volume_tile_digest(v);
    }
    curve_work_free(work);
    curve_plan_free(&plan);
}

static void describe(const char *path, bool json)
{
    struct report rep = {""};
    fuzz_catch_begin();
    enum status st = describe_volume(path, NULL, json, &rep);
    fuzz_catch_end(json && st == ST_OK);
    fuzz_check_status(st, &rep);
    if (st == ST_MEMORY) fuzz_wrong(rep.text);
}

void fuzz_read_volume(const char *path, unsigned way)
{
    struct report rep = {""};
    struct volume *v = NULL;
    (void)volume_is_one(path);
    enum status st = volume_open(&v, path, &rep);
    fuzz_check_status(st, &rep);
    if (st == ST_OK) fuzz_read_tiles(v);
    bool opened = st == ST_OK;
    volume_close(&v);
    if (opened) describe(path, way % 2 != 0);
    fuzz_check_closed();
}
