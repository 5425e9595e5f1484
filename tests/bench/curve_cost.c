/* What one curve costs on one core, in microseconds: the whole analysis of an approach and a
 * retract of 512 samples each, step by step as options are switched off, and other models. Curves
 * are simulated before the clock starts; each is new, so nothing is learnt from the last. */
#include "curve/curve.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

enum { SAMPLES = 512, CURVES = 200, ROUNDS = 12 };

struct curves {
    double z[SAMPLES], *go, *back; /* [CURVES][SAMPLES], metres */
};

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static struct curve_plan plan_for(const char *model, enum segment_id segment)
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

/* Rubber-like, 2 MPa within a factor 2, half of the ramp in contact; the retract adheres. */
static struct curves make_curves(void)
{
    struct curves c = {.go = malloc(sizeof(double) * CURVES * SAMPLES),
                       .back = malloc(sizeof(double) * CURVES * SAMPLES)};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct curve_plan go = plan_for("paraboloid", SEG_APPROACH),
                      back = plan_for("jkr", SEG_RETRACT);
    for (int i = 0; i < SAMPLES; i++)
        c.z[i] = 100e-9 * i / (SAMPLES - 1);
    for (int k = 0; k < CURVES; k++) {
        struct contact_sample s = {2e6 * pow(2, 2 * gsl_rng_uniform(rng) - 1), 3e-3, 0};
        double contact = 50e-9 + 10e-9 * gsl_rng_uniform(rng), x[SAMPLES];
        double *a = c.go + k * SAMPLES, *r = c.back + k * SAMPLES;
        for (int i = 0; i < SAMPLES; i++)
            x[i] = c.z[i] - contact;
        contact_deflection(go.model, &go.setup, &s, x, SAMPLES, a);
        contact_deflection(back.model, &back.setup, &s, x, SAMPLES, r);
        for (int i = 0; i < SAMPLES; i++) {
            a[i] += 3e-9 + 0.002 * c.z[i] + gsl_ran_gaussian(rng, 0.1e-9);
            r[i] += 3e-9 + 0.002 * c.z[i] + gsl_ran_gaussian(rng, 0.1e-9);
        }
        for (int i = 0; i < SAMPLES / 2; i++) { /* a retract comes in the order of time */
            double swap = r[i];
            r[i] = r[SAMPLES - 1 - i], r[SAMPLES - 1 - i] = swap;
        }
    }
    gsl_rng_free(rng);
    return c;
}

static int only, next_line, rounds = ROUNDS; /* for a profiler: one line, other rounds */

static double run(const struct curve_plan *plan, const struct curves *c, bool with_retract)
{
    struct raw_curve raw = {.stage = {STAGE_DEFLECTION, STAGE_DEFLECTION, STAGE_DEFLECTION}};
    struct curve_work *work = curve_work_new(SAMPLES);
    static double z_back[SAMPLES];
    double best = INFINITY;
    struct pixel_result r;
    for (int i = 0; i < SAMPLES; i++)
        z_back[i] = c->z[SAMPLES - 1 - i];
    for (int round = 0; round < rounds; round++) {
        double start = now_s();
        for (int k = 0; k < CURVES; k++) {
            raw.seg[SEG_APPROACH] = (struct raw_segment){
                .n = SAMPLES, .signal = c->go + k * SAMPLES, .z_m = c->z};
            if (with_retract)
                raw.seg[SEG_RETRACT] = (struct raw_segment){
                    .n = SAMPLES, .signal = c->back + k * SAMPLES, .z_m = z_back};
            curve_analyse(plan, &raw, work, &r, NULL);
        }
        best = fmin(best, now_s() - start);
    }
    curve_work_free(work);
    return 1e6 * best / CURVES;
}

static void line(const char *words, const struct curve_plan *plan, const struct curves *c,
                 bool with_retract)
{
    if (only && ++next_line != only) return;
    printf("%-60s %8.2f us\n", words, run(plan, c, with_retract));
}

int main(int argc, char **argv)
{
    if (argc > 1) only = atoi(argv[1]), rounds = argc > 2 ? atoi(argv[2]) : 100;
    struct curves c = make_curves();
    struct curve_plan all = plan_for("paraboloid", SEG_APPROACH), some = all;
    line("paraboloid, all checks, approach and retract", &all, &c, true);
    line("the same, approach alone", &all, &c, false);
    some.two_depths = false;
    line("approach, without the shallow half", &some, &c, false);
    some.coloured_noise = false;
    line("approach, neither that nor the search for coloured noise", &some, &c, false);
    some.force_space = true;
    line("the same, force over indentation", &some, &c, false);
    static const char *const others[] = {"cone", "flat_punch", "sphere", "dmt", "jkr", "maugis"};
    for (size_t i = 0; i < sizeof others / sizeof *others; i++) {
        bool adhesive = contact_find(others[i])->adhesive;
        struct curve_plan other = plan_for(others[i], adhesive ? SEG_RETRACT : SEG_APPROACH);
        if (!adhesive || i < 5) other.free_extra = other.model->has_extra;
        line(others[i], &other, &c, true);
    }
    free(c.go);
    free(c.back);
    return 0;
}
