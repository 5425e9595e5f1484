/* Results of some curves as text, %a: run as built for this processor's best instructions and as
 * built for the oldest of its kind, and compared by tests/judge/test_processors.py. */
#include "curve/curve.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>

enum { SAMPLES = 301, CURVES = 64 };

static struct curve_plan plan_for(const char *model)
{
    struct curve_plan plan = {.model = contact_find(model),
                              .baseline_order = 1,
                              .shortest_baseline = 0.05,
                              .to = 1,
                              .coloured_noise = true,
                              .two_depths = true,
                              .poisson_ratio = 0.5,
                              .pixel_pitch_m = NAN};
    double *limit = (double *)&plan.limit;
    plan.segment = plan.model->adhesive ? SEG_RETRACT : SEG_APPROACH;
    plan.setup = (struct contact_setup){.spring_n_per_m = 0.5,
                                        .radius_m = 100e-9,
                                        .half_angle_rad = 0.35,
                                        .cap_radius_m = NAN,
                                        .transition = 0.5,
                                        .thickness_m = NAN};
    for (int i = 0; i < LEVER_COUNT; i++)
        plan.lever.item[i].value = NAN;
    for (size_t i = 0; i < sizeof plan.limit / sizeof *limit; i++)
        limit[i] = NAN;
    plan.limit.missing = 0.05;
    return plan;
}

static void run(const char *model, gsl_rng *rng, struct curve_work *work)
{
    static double z[SAMPLES], z_back[SAMPLES], go[SAMPLES], back[SAMPLES], x[SAMPLES];
    struct curve_plan plan = plan_for(model);
    const struct contact_model *adhesive = contact_find("jkr");
    struct contact_sample s = {2e6 * (1 + gsl_rng_uniform(rng)), 3e-3, 0};
    double contact = 50e-9 + 10e-9 * gsl_rng_uniform(rng);
    for (int i = 0; i < SAMPLES; i++) {
        z[i] = 100e-9 * i / (SAMPLES - 1);
        x[i] = z[i] - contact;
        z_back[SAMPLES - 1 - i] = z[i];
    }
    contact_deflection(plan.model->adhesive ? contact_find("paraboloid") : plan.model, &plan.setup,
                       &s, x, SAMPLES, go);
    contact_deflection(adhesive, &plan.setup, &s, x, SAMPLES, back);
    for (int i = 0; i < SAMPLES; i++)
        go[i] += 0.002 * z[i] + gsl_ran_gaussian(rng, 0.1e-9);
    for (int i = 0; i < SAMPLES / 2; i++) { /* a retract comes in the order of time */
        double swap = back[i];
        back[i] = back[SAMPLES - 1 - i], back[SAMPLES - 1 - i] = swap;
    }
    for (int i = 0; i < SAMPLES; i++)
        back[i] += gsl_ran_gaussian(rng, 0.1e-9);
    struct raw_curve raw = {.stage = {STAGE_DEFLECTION, STAGE_DEFLECTION, STAGE_DEFLECTION}};
    raw.seg[SEG_APPROACH] = (struct raw_segment){.n = SAMPLES, .signal = go, .z_m = z};
    raw.seg[SEG_RETRACT] = (struct raw_segment){.n = SAMPLES, .signal = back, .z_m = z_back};
    struct pixel_result r;
    curve_analyse(&plan, &raw, work, &r, NULL);
    for (int i = 0; i < MAP_COUNT; i++) {
        char label[64];
        map_label(i, label);
        printf("%s.%s %a %a\n", model, label, r.map[i].value, r.map[i].error);
    }
    printf("%s.flags %llx\n", model, (unsigned long long)r.flags);
}

int main(void)
{
    static const char *const models[] = {"paraboloid", "cone",         "dmt",    "jkr",
                                         "sphere",     "blunted_cone", "maugis", "carpick"};
    const int count = sizeof models / sizeof *models;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct curve_work *work = curve_work_new(SAMPLES);
    for (int i = 0; i < CURVES && work; i++)
        run(models[i % count], rng, work);
    curve_work_free(work);
    gsl_rng_free(rng);
    return work ? 0 : 1;
}
