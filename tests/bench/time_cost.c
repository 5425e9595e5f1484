/* What the analyses that need time cost beside the plain contact fit: a viscoelastic half-space
 * under a paraboloid, approach and retract of 512 samples each, a third of them in contact. Curves
 * are made before the clock starts. */
#include "bench_curves.h"
#include "contact/ting.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { CURVES = 60, ROUNDS = 7, N = BENCH_SAMPLES };

static double z[2 * N], signal[CURVES][2 * N];
static const double step_s = 1e-3, radius = 2.5e-6;

static void make_curves(double k)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct ting_work *w = ting_work_new(2 * N);
    struct ting_tip tip = {1.5, 4.0 / 3.0 * sqrt(radius) / 0.75, 1 / k};
    struct ting_path path = {.n = 2 * N, .z_m = z, .parts = 2, .withdraws = true, .first = {0, N}};
    path.step_s[0] = path.step_s[1] = path.gap_s[1] = step_s;
    for (int i = 0; i < N; i++)
        z[i] = 1.5e-6 * i / (N - 1), z[2 * N - 1 - i] = 1.5e-6 * (i - 1) / (N - 1);
    for (int c = 0; c < CURVES; c++) {
        struct ting_end end;
        struct ting_solid s = {.law = TING_POWER_LAW, .reference = 1};
        s.modulus = 1000 * pow(3, gsl_rng_uniform(rng));
        s.exponent = 0.1 + 0.2 * gsl_rng_uniform(rng);
        ting_force(&s, &tip, &path, 0.9e-6 + 0.1e-6 * gsl_rng_uniform(rng), w, signal[c], NULL,
                   &end);
        for (int i = 0; i < 2 * N; i++)
            signal[c][i] = signal[c][i] / k + gsl_ran_gaussian(rng, 0.3e-9);
    }
    ting_work_free(w);
    gsl_rng_free(rng);
}

/* Least time for one curve over the rounds, s. */
static double run(const struct curve_plan *plan)
{
    struct curve_work *work = curve_work_new(N);
    double best = INFINITY;
    for (int round = 0; round < ROUNDS; round++) {
        double start = bench_cpu_s();
        for (int c = 0; c < CURVES; c++) {
            struct pixel_result r;
            struct raw_curve raw = {
                .stage = {STAGE_DEFLECTION, STAGE_DEFLECTION, STAGE_DEFLECTION}};
            for (int s = 0; s < 2; s++)
                raw.seg[s ? SEG_RETRACT : SEG_APPROACH] = (struct raw_segment){
                    .n = N, .signal = signal[c] + s * N, .z_m = z + s * N, .interval_s = step_s};
            curve_analyse(plan, &raw, work, &r, NULL);
        }
        best = fmin(best, bench_cpu_s() - start);
    }
    curve_work_free(work);
    return best / CURVES;
}

static void line(const char *words, const struct curve_plan *plan, double plain)
{
    double t = run(plan);
    printf("| %s | %.0f us | %.2g | %.1f |\n", words, 1e6 * t, 2 * N / t, t / plain);
}

int main(void)
{
    struct curve_plan plan = bench_plan("paraboloid", SEG_APPROACH), some;
    plan.setup.spring_n_per_m = 0.05;
    plan.setup.radius_m = radius;
    plan.extent.analysis[ANALYSIS_in_time] = true;
    plan.time.power = 1.5;
    plan.time.reference_s = 1;
    plan.time.drag = true;
    plan.time.use[SEG_APPROACH] = plan.time.use[SEG_RETRACT] = true;
    make_curves(plan.setup.spring_n_per_m);
    double plain = run(&plan);
    printf(
        "| analysis, 512 + 512 samples | one curve | samples per second | over the plain fit |\n");
    printf("|---|---|---|---|\n");
    line("plain contact fit, drag", &plan, plain);
    some = plan, some.extent.analysis[ANALYSIS_cycle] = true;
    line("with loss tangent", &some, plain);
    some = plan, some.time.law = 1;
    line("with power law, approach and retract", &some, plain);
    some.time.use[SEG_RETRACT] = false;
    line("with power law, approach alone", &some, plain);
    some = plan, some.time.law = 2;
    line("with standard linear solid, approach and retract", &some, plain);
    some.time.use[SEG_RETRACT] = false;
    line("with standard linear solid, approach alone", &some, plain);
    return 0;
}
