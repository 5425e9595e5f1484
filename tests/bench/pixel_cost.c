/* What each pixel of a volume costs: decoding and the analysis of the default recipe, on one core,
 * the quickest of five times. Food for schedule_race. pixel_cost VOLUME >COSTS      first line:
 * columns rows; then microseconds, row by row */
#include "bench_curves.h"
#include "recipe/recipe.h"
#include "volume/volume.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { TIMES = 5 };

struct site {
    struct recipe recipe;
    struct volume *volume;
    struct curve_plan plan;
    struct curve_work *work;
    double *us; /* [ny][nx] */
};

static enum status open_site(struct site *s, const char *path, struct report *rep)
{
    enum signal_stage stages[SEG_COUNT];
    bool there[SEG_COUNT];
    size_t longest = 0;
    enum status st = recipe_default(&s->recipe, rep);
    if (st == ST_OK) st = volume_open(&s->volume, path, rep);
    if (st != ST_OK) return st;
    const struct volume_facts *f = volume_facts(s->volume);
    for (int i = 0; i < SEG_COUNT; i++) {
        stages[i] = f->seg[i].stage, there[i] = f->seg[i].there;
        if (there[i] && f->seg[i].n > longest) longest = f->seg[i].n;
    }
    st = curve_plan_make(&s->recipe, &f->lever, stages, there, &s->plan, rep);
    s->plan.pixel_pitch_m = volume_pixel_pitch(f);
    s->work = curve_work_new(longest);
    s->us = calloc(f->nx * f->ny, sizeof *s->us);
    if (st == ST_OK && (!s->work || !s->us)) return fail(rep, ST_MEMORY, "not enough memory");
    return st;
}

static double cost_us(struct site *s, size_t row, size_t col)
{
    double best = INFINITY;
    struct raw_curve raw;
    struct pixel_result result;
    for (int i = 0; i < TIMES; i++) {
        double start = bench_cpu_s();
        volume_curve(s->volume, row, col, &raw);
        curve_analyse(&s->plan, &raw, s->work, &result, NULL);
        best = fmin(best, bench_cpu_s() - start);
    }
    return 1e6 * best;
}

static enum status measure(struct site *s, struct report *rep)
{
    size_t nx = volume_facts(s->volume)->nx;
    for (size_t i = 0; i < volume_tile_count(s->volume); i++) {
        struct tile t = volume_tile(s->volume, i);
        enum status st = volume_read_tile(s->volume, t, rep);
        if (st != ST_OK) return st;
        for (size_t row = t.row0; row < t.row0 + t.rows; row++)
            for (size_t col = t.col0; col < t.col0 + t.cols; col++)
                s->us[row * nx + col] = cost_us(s, row, col);
    }
    return ST_OK;
}

int main(int argc, char **argv)
{
    struct site s = {0};
    struct report rep = {.text = "usage: pixel_cost VOLUME >COSTS"};
    enum status st = argc == 2 ? open_site(&s, argv[1], &rep) : ST_USAGE;
    if (st == ST_OK) st = measure(&s, &rep);
    if (st != ST_OK) {
        fprintf(stderr, "%s\n", rep.text);
        return status_exit(st);
    }
    size_t nx = volume_facts(s.volume)->nx, ny = volume_facts(s.volume)->ny;
    printf("%zu %zu\n", nx, ny);
    for (size_t i = 0; i < nx * ny; i++)
        printf("%.3f\n", s.us[i]);
    free(s.us);
    curve_work_free(s.work);
    curve_plan_free(&s.plan);
    volume_close(&s.volume);
    recipe_free(&s.recipe);
    return 0;
}
