#include "bench_curves.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics.h>
#include <math.h>
#include <stdlib.h>
#include <time.h>

double bench_cpu_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

double bench_median(double *values, int n)
{
    gsl_sort(values, 1, (size_t)n);
    return gsl_stats_median_from_sorted_data(values, 1, (size_t)n);
}

struct curve_plan bench_plan(const char *model, enum segment_id segment)
{
    struct curve_plan plan = {.model = contact_find(model),
                              .segment = segment,
                              .baseline_order = 1,
                              .shortest_baseline = 0.05,
                              .to = 1,
                              .coloured_noise = true,
                              .two_depths = true,
                              .pixel_pitch_m = NAN};
    double *limit = (double *)&plan.limit;
    plan.setup = (struct contact_setup){.spring_n_per_m = 0.5,
                                        .radius_m = 100e-9,
                                        .half_angle_rad = 0.35,
                                        .face_angle_rad = 0.35,
                                        .cap_radius_m = NAN,
                                        .transition = NAN,
                                        .thickness_m = NAN};
    for (int i = 0; i < LEVER_COUNT; i++)
        plan.lever.item[i].value = NAN;
    for (size_t i = 0; i < sizeof plan.limit / sizeof *limit; i++)
        limit[i] = NAN;
    plan.limit.missing = 0.05;
    plan.limit.depth_to_uncertainty = 0;
    return plan;
}

static void add_lever(gsl_rng *rng, const double *z, double noise_m, double *d)
{
    for (int i = 0; i < BENCH_SAMPLES; i++)
        d[i] += 3e-9 + 0.002 * z[i] + gsl_ran_gaussian(rng, noise_m);
}

struct bench_curves bench_curves_make(int count, double noise_m)
{
    size_t bytes = sizeof(double) * (size_t)count * BENCH_SAMPLES;
    struct bench_curves c = {.count = count, .go = malloc(bytes), .back = malloc(bytes)};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct curve_plan go = bench_plan("paraboloid", SEG_APPROACH),
                      back = bench_plan("jkr", SEG_RETRACT);
    for (int i = 0; i < BENCH_SAMPLES; i++)
        c.z[i] = c.z_back[BENCH_SAMPLES - 1 - i] = 100e-9 * i / (BENCH_SAMPLES - 1);
    for (int k = 0; k < count; k++) {
        struct contact_sample s = {2e6 * pow(2, 2 * gsl_rng_uniform(rng) - 1), 3e-3, 0};
        double contact = 50e-9 + 10e-9 * gsl_rng_uniform(rng), x[BENCH_SAMPLES];
        double *a = c.go + k * BENCH_SAMPLES, *r = c.back + k * BENCH_SAMPLES;
        for (int i = 0; i < BENCH_SAMPLES; i++)
            x[i] = c.z[i] - contact;
        contact_deflection(go.model, &go.setup, &s, x, BENCH_SAMPLES, a);
        contact_deflection(back.model, &back.setup, &s, x, BENCH_SAMPLES, r);
        add_lever(rng, c.z, noise_m, a);
        add_lever(rng, c.z, noise_m, r);
        for (int i = 0; i < BENCH_SAMPLES / 2; i++) { /* a retract comes in the order of time */
            double swap = r[i];
            r[i] = r[BENCH_SAMPLES - 1 - i], r[BENCH_SAMPLES - 1 - i] = swap;
        }
    }
    gsl_rng_free(rng);
    return c;
}

void bench_curves_free(struct bench_curves *c)
{
    free(c->go);
    free(c->back);
}

struct raw_curve bench_raw(const struct bench_curves *c, int k, bool with_retract)
{
    struct raw_curve raw = {.stage = {STAGE_DEFLECTION, STAGE_DEFLECTION, STAGE_DEFLECTION}};
    raw.seg[SEG_APPROACH] = (struct raw_segment){
        .n = BENCH_SAMPLES, .signal = c->go + k * BENCH_SAMPLES, .z_m = c->z};
    if (with_retract)
        raw.seg[SEG_RETRACT] = (struct raw_segment){
            .n = BENCH_SAMPLES, .signal = c->back + k * BENCH_SAMPLES, .z_m = c->z_back};
    return raw;
}
