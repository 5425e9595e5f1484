/* Is the stated standard error true? Simulated curves of known truth, through the whole analysis of
 * one curve; prints docs/accuracy.md. Cases: typical experiments, and two contacts much stiffer
 * than the lever. Noise: white; with a lever resonance; 1/f; a random walk (drift). */
#include "curve/curve.h"

#include <gsl/gsl_linalg.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { MOST = 2048 };

struct experiment {
    const char *name, *model;
    double k, tip, modulus, force, noise; /* N/m, m or rad, Pa, N, m */
    size_t n;
};

static const struct experiment experiments[] = {
    {"cell, sphere 2.5 um, 1 kPa", "paraboloid", 0.06, 2.5e-6, 1e3, 0.5e-9, 0.26e-9, 2000},
    {"same, noise 1 nm", "paraboloid", 0.06, 2.5e-6, 1e3, 0.5e-9, 1e-9, 2000},
    {"cell, cone 20 degree, 5 kPa", "cone", 0.03, 0.349, 5e3, 0.5e-9, 0.37e-9, 2000},
    {"gel, sphere 2.5 um, 10 kPa", "paraboloid", 0.1, 2.5e-6, 1e4, 2e-9, 0.2e-9, 2000},
    {"rubber, R 100 nm, 2.5 MPa", "paraboloid", 0.5, 1e-7, 2.5e6, 5e-9, 0.1e-9, 512},
    {"polystyrene, R 30 nm, 2.7 GPa", "paraboloid", 40, 3e-8, 2.7e9, 1e-7, 0.05e-9, 512},
    {"stiff film, R 30 nm, 70 GPa", "paraboloid", 200, 3e-8, 70e9, 1e-6, 0.03e-9, 512},
    {"kc/k 14, R 50 nm", "paraboloid", 1, 5e-8, 0, 5e-8, 0.05e-9, 512},
    {"kc/k 86, R 50 nm", "paraboloid", 1, 5e-8, 0, 5e-8, 0.05e-9, 512},
};
enum { EXPERIMENTS = sizeof experiments / sizeof *experiments };

enum kind { WHITE, RESONANCE, FLICKER, WALK, KNOWN_WALK, KINDS };
static const double walk_step = 0.03; /* of the white noise */
static const char *const kind_words[KINDS] = {
    "white", "white and a lever resonance (period 8 samples, a third of the variance)",
    "white and 1/f (ten octaves, 1.6 times the variance)",
    "white and a random walk (0.03 of the noise a sample) on a linear drift",
    "the same walk and drift, the walk stated as contact.drift"};

static double draw(gsl_rng *rng, double sigma)
{
    return gsl_ran_gaussian(rng, sigma);
}

static void add_resonance(gsl_rng *rng, double sigma, size_t n, double *out)
{
    const double angle = 2 * M_PI / 8, decay = 0.92;
    double a = 0, b = 0;
    for (size_t i = 0; i < n + 500; i++) {
        double next = 2 * decay * cos(angle) * a - decay * decay * b + draw(rng, 0.2 * sigma);
        b = a, a = next;
        if (i >= 500) out[i - 500] += next;
    }
}

static void add_flicker(gsl_rng *rng, double sigma, size_t n, double *out)
{
    for (int octave = 0; octave < 10; octave++) {
        double keep = exp(-1.0 / (1 << octave)), x = draw(rng, 0.4 * sigma);
        for (size_t i = 0; i < n; i++) {
            x = keep * x + sqrt(1 - keep * keep) * draw(rng, 0.4 * sigma);
            out[i] += x;
        }
    }
}

static void add_walk(gsl_rng *rng, double sigma, size_t n, double *out)
{
    double x = 0;
    for (size_t i = 0; i < n; i++) {
        x += draw(rng, walk_step * sigma) + 0.002 * sigma;
        out[i] += x;
    }
}

static void make_noise(gsl_rng *rng, enum kind kind, double sigma, size_t n, double *out)
{
    for (size_t i = 0; i < n; i++)
        out[i] = draw(rng, sigma);
    if (kind == RESONANCE) add_resonance(rng, sigma, n, out);
    if (kind == FLICKER) add_flicker(rng, sigma, n, out);
    if (kind == WALK || kind == KNOWN_WALK) add_walk(rng, sigma, n, out);
}

struct trial {
    const struct experiment *e;
    struct curve_plan plan;
    struct contact_sample sample;
    double ramp, contact; /* m */
};

static double deflection(const struct trial *t, double x)
{
    double d;
    contact_deflection(t->plan.model, &t->plan.setup, &t->sample, &x, 1, &d);
    return d;
}

static void make_trial(const struct experiment *e, int which, struct trial *t)
{
    *t = (struct trial){.e = e};
    t->plan = (struct curve_plan){.model = contact_find(e->model),
                                  .segment = SEG_APPROACH,
                                  .baseline_order = 1,
                                  .shortest_baseline = 0.05,
                                  .to = 1,
                                  .coloured_noise = true,
                                  .pixel_pitch_m = NAN};
    t->plan.setup = (struct contact_setup){
        .spring_n_per_m = e->k, .radius_m = e->tip, .half_angle_rad = e->tip, .transition = NAN};
    for (int i = 0; i < LEVER_COUNT; i++)
        t->plan.lever.item[i].value = NAN;
    double *limit = (double *)&t->plan.limit;
    for (size_t i = 0; i < sizeof t->plan.limit / sizeof *limit; i++)
        limit[i] = NAN;
    t->plan.limit.missing = 0.05;
    t->plan.limit.depth_to_uncertainty = 0;
    double ratio = which == EXPERIMENTS - 2 ? 14 : 86, depth = 1.5 * e->force / (ratio * e->k);
    /* E* = E: Poisson's ratio plays no part here */
    t->sample = (struct contact_sample){e->modulus, NAN, 0};
    if (e->modulus == 0)
        t->sample.reduced_modulus_pa = 0.75 * e->force / sqrt(e->tip) / pow(depth, 1.5);
    double end = 1e-12;
    while (e->k * deflection(t, end) < e->force)
        end *= 1.002;
    t->ramp = 2.5 * end;
    t->contact = 1.5 * end;
}

/* Cramer-Rao floor of ln E with contact point, offset and slope unknown: Fisher information from
 * differences of the forward model, white noise. */
static double floor_of(const struct trial *t)
{
    size_t n = t->e->n;
    gsl_matrix *fisher = gsl_matrix_calloc(4, 4);
    for (size_t i = 0; i < n; i++) {
        double z = t->ramp * (double)i / (double)(n - 1), x = z - t->contact, h = 1e-4 * t->ramp;
        struct trial more = *t, less = *t;
        more.sample.reduced_modulus_pa *= 1.001, less.sample.reduced_modulus_pa /= 1.001;
        double g[4] = {(deflection(&more, x) - deflection(&less, x)) / (2 * log(1.001)),
                       (deflection(t, x + h) - deflection(t, x - h)) / (2 * h) * t->ramp,
                       t->e->noise, t->e->noise * (z / t->ramp - 0.5)};
        for (size_t a = 0; a < 4; a++)
            for (size_t b = 0; b < 4; b++)
                *gsl_matrix_ptr(fisher, a, b) += g[a] * g[b] / (t->e->noise * t->e->noise);
    }
    gsl_linalg_cholesky_decomp1(fisher);
    gsl_linalg_cholesky_invert(fisher);
    double floor = sqrt(gsl_matrix_get(fisher, 0, 0));
    gsl_matrix_free(fisher);
    return floor;
}

static void run(const struct trial *t, enum kind kind, int curves, gsl_rng *rng, bool with_floor)
{
    static double z[MOST], d[MOST], noise[MOST];
    size_t n = t->e->n;
    struct raw_curve raw = {.stage = {STAGE_DEFLECTION, STAGE_DEFLECTION, STAGE_DEFLECTION}};
    struct curve_work *work = curve_work_new(n);
    double sum = 0, square = 0, stated = 0, relative = 0, ratio = 0;
    int used = 0, inside = 0;
    for (int c = 0; c < curves; c++) {
        struct pixel_result r;
        double shift = gsl_rng_uniform(rng) * t->ramp / (double)n,
               truth = t->sample.reduced_modulus_pa;
        make_noise(rng, kind, t->e->noise, n, noise);
        for (size_t i = 0; i < n; i++) {
            z[i] = t->ramp * (double)i / (double)(n - 1);
            d[i] = 3e-9 + 0.002 * z[i] + deflection(t, z[i] - t->contact - shift) + noise[i];
        }
        raw.seg[SEG_APPROACH] = (struct raw_segment){.n = n, .signal = d, .z_m = z};
        curve_analyse(&t->plan, &raw, work, &r, NULL);
        struct measured m = r.map[MAP_reduced_modulus];
        if (r.state == STATE_rejected || !isfinite(m.value) || !isfinite(m.error)) continue;
        double score = (m.value - truth) / m.error;
        used++;
        sum += score, square += score * score, inside += fabs(score) <= 1.96;
        stated += m.error / truth, relative += pow(m.value / truth - 1, 2);
        ratio += r.map[MAP_stiffness_ratio].value;
    }
    double mean = sum / used, scatter = sqrt(relative / used),
           floor = with_floor ? floor_of(t) : NAN;
    printf("| %s | %.2f | %.2f %% | %.2f %% |", t->e->name, ratio / used, 100 * scatter,
           100 * stated / used);
    if (with_floor) printf(" %.2f |", scatter / floor);
    printf(" %+.2f | %.2f | %.1f %% | %d |\n", mean, sqrt(square / used - mean * mean),
           100.0 * inside / used, curves - used);
    curve_work_free(work);
}

int main(int argc, char **argv)
{
    int curves = argc > 1 ? (int)strtol(argv[1], NULL, 10) : 2000;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    printf("# Accuracy: is the stated standard error true?\n\n"
           "Measured by `tests/bench/accuracy.sh`: %d simulated curves a row, fitted in deflection "
           "space "
           "with\ncontact point, offset and slope unknown, as every pixel is. Nothing is left out "
           "of these "
           "tables.\n\n"
           "`scatter`: rms of E/truth - 1. `stated`: mean standard error. `z`: (E - "
           "truth)/standard error; "
           "its\nmean and standard deviation should be 0 and 1. `covered`: share of curves whose "
           "truth lies "
           "within 1.96\nstandard errors; 95 %% is meant, 93 to 97 %% is good. `floor`: scatter "
           "over the "
           "Cramer-Rao floor, which\nno unbiased method can beat; from differences of the forward "
           "model, "
           "independent of the fit.\n",
           curves);
    for (int kind = 0; kind < KINDS; kind++) {
        bool with_floor = kind == WHITE;
        printf("\n## Noise: %s\n\n| experiment | kc/k | scatter | stated |%s mean z | sd z | "
               "covered | "
               "rejected |\n|---|---|---|---|%s---|---|---|---|\n",
               kind_words[kind], with_floor ? " floor |" : "", with_floor ? "---|" : "");
        for (int e = 0; e < EXPERIMENTS; e++) {
            struct trial t;
            make_trial(&experiments[e], e, &t);
            t.plan.drift_m = kind == KNOWN_WALK ? walk_step * t.e->noise : NAN;
            run(&t, (enum kind)kind, curves, rng, with_floor);
        }
    }
    gsl_rng_free(rng);
    return 0;
}
