/* Is the stated standard error true? Simulated curves of known truth, through the whole analysis of
 * one curve; prints docs/accuracy.md. Cases: typical experiments, and two contacts much stiffer
 * than the lever; last other tips. Noise: white; with a lever resonance; 1/f; a random walk
 * (drift). */
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
    double angle, work; /* rad, where the tip has a radius and an angle; J/m2 */
};

static const struct experiment experiments[] = {
    {"cell, sphere 2.5 um, 1 kPa", "paraboloid", 0.06, 2.5e-6, 1e3, 0.5e-9, 0.26e-9, 2000, 0, 0},
    {"same, noise 1 nm", "paraboloid", 0.06, 2.5e-6, 1e3, 0.5e-9, 1e-9, 2000, 0, 0},
    {"cell, cone 20 degree, 5 kPa", "cone", 0.03, 0.349, 5e3, 0.5e-9, 0.37e-9, 2000, 0, 0},
    {"gel, sphere 2.5 um, 10 kPa", "paraboloid", 0.1, 2.5e-6, 1e4, 2e-9, 0.2e-9, 2000, 0, 0},
    {"rubber, R 100 nm, 2.5 MPa", "paraboloid", 0.5, 1e-7, 2.5e6, 5e-9, 0.1e-9, 512, 0, 0},
    {"polystyrene, R 30 nm, 2.7 GPa", "paraboloid", 40, 3e-8, 2.7e9, 1e-7, 0.05e-9, 512, 0, 0},
    {"stiff film, R 30 nm, 70 GPa", "paraboloid", 200, 3e-8, 70e9, 1e-6, 0.03e-9, 512, 0, 0},
    {"kc/k 14, R 50 nm", "paraboloid", 1, 5e-8, 0, 5e-8, 0.05e-9, 512, 0, 0},
    {"kc/k 86, R 50 nm", "paraboloid", 1, 5e-8, 0, 5e-8, 0.05e-9, 512, 0, 0},
};
enum { EXPERIMENTS = sizeof experiments / sizeof *experiments };

/* Tips of other shapes, and those that stick; white noise only. */
static const struct experiment further[] = {
    {"gel, R 50 nm on a cone of 25 degree", "hyperboloid", 0.1, 5e-8, 2e4, 2e-9, 0.1e-9, 1000,
     0.436, 0},
    {"rubber, R 100 nm on a cone of 35 degree", "hyperboloid", 1, 1e-7, 2e6, 5e-8, 0.1e-9, 512,
     0.611, 0},
    {"soft rubber, cone 35 degree, kc/k 0.1", "adhesive_cone", 1, 0.611, 1e6, 3e-9, 0.03e-9, 512,
     0.611, 10e-3},
    {"rubber, cone 35 degree", "adhesive_cone", 0.5, 0.611, 2e7, 3e-8, 0.1e-9, 512, 0.611, 50e-3},
    {"gel, punch of radius 1 um", "adhesive_punch", 1, 1e-6, 1e5, 1e-7, 0.1e-9, 512, 0, 0.2e-3},
    {"rubber, punch of radius 200 nm", "adhesive_punch", 1, 2e-7, 1e7, 1e-7, 0.1e-9, 512, 0, 5e-3},
};
enum { FURTHER = sizeof further / sizeof *further };

enum kind { WHITE, RESONANCE, FLICKER, WALK, KNOWN_WALK, LEARNT_WALK, KINDS };
static const double walk_step = 0.03; /* of the white noise */
static const char *const kind_words[KINDS] = {
    "white",
    "white and a lever resonance (period 8 samples, a third of the variance)",
    "white and 1/f (ten octaves, 1.6 times the variance)",
    "white and a random walk (0.03 of the noise a sample) on a linear drift, drift_from: curve",
    "the same walk and drift, the walk stated as contact.drift",
    "the same, the walk learnt from 256 curves"};

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
    if (kind >= WALK) add_walk(rng, sigma, n, out);
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
                                  .baseline_order = 1,
                                  .shortest_baseline = 0.05,
                                  .to = 1,
                                  .coloured_noise = true,
                                  .pixel_pitch_m = NAN};
    t->plan.setup = (struct contact_setup){
        .spring_n_per_m = e->k, .radius_m = e->tip, .half_angle_rad = e->tip, .transition = NAN};
    if (e->angle > 0) t->plan.setup.half_angle_rad = e->angle;
    t->plan.segment = t->plan.model->adhesive ? SEG_RETRACT : SEG_APPROACH;
    for (int i = 0; i < LEVER_COUNT; i++)
        t->plan.lever.item[i].value = NAN;
    double *limit = (double *)&t->plan.limit;
    for (size_t i = 0; i < sizeof t->plan.limit / sizeof *limit; i++)
        limit[i] = NAN;
    t->plan.limit.missing = 0.05;
    t->plan.limit.depth_to_uncertainty = 0;
    double ratio = which == EXPERIMENTS - 2 ? 14 : 86, depth = 1.5 * e->force / (ratio * e->k);
    /* E* = E: Poisson's ratio plays no part here */
    t->sample = (struct contact_sample){e->modulus, e->work > 0 ? e->work : NAN, 0};
    if (e->modulus == 0)
        t->sample.reduced_modulus_pa = 0.75 * e->force / sqrt(e->tip) / pow(depth, 1.5);
    double end = 1e-12;
    while (e->k * deflection(t, end) < e->force)
        end *= 1.002;
    t->ramp = 2.5 * end;
    t->contact = 1.5 * end;
}

/* Whether the fit may use the sample: of a curve that ends in a jump all but two on either side,
 * where the place of the jump would be known without any error. */
static bool counts(const struct trial *t, double x, double step)
{
    bool touches = deflection(t, x) != 0;
    return !t->plan.model->adhesive || ((deflection(t, x + 2 * step) != 0) == touches &&
                                        (deflection(t, x - 2 * step) != 0) == touches);
}

/* Derivatives of the deflection by ln E, Z0, [ln w,] offset and slope; the baseline's in units of
 * the noise. @return how many */
static size_t derivatives(const struct trial *t, double z, double g[5])
{
    const double small = 1e-5;
    double x = z - t->contact, h = small * t->ramp;
    size_t n = 0;
    struct trial more = *t, less = *t;
    more.sample.reduced_modulus_pa *= 1 + small, less.sample.reduced_modulus_pa /= 1 + small;
    g[n++] = (deflection(&more, x) - deflection(&less, x)) / (2 * log1p(small));
    g[n++] = (deflection(t, x + h) - deflection(t, x - h)) / (2 * h) * t->ramp;
    more = less = *t;
    more.sample.work_j_per_m2 *= 1 + small, less.sample.work_j_per_m2 /= 1 + small;
    if (t->plan.model->adhesive && !t->plan.model->length_at_end)
        g[n++] = (deflection(&more, x) - deflection(&less, x)) / (2 * log1p(small));
    g[n++] = t->e->noise;
    g[n++] = t->e->noise * (z / t->ramp - 0.5);
    return n;
}

/* Cramer-Rao floors of ln E (and ln w) with contact point, offset and slope unknown: Fisher
 * information from differences of the forward model, white noise. NaN where w shows only in where
 * the curve ends: there is no such floor. */
static void floors_of(const struct trial *t, double floor[2])
{
    size_t n = t->e->n, unknowns = 0;
    double sum[5][5] = {{0}}, g[5], step = t->ramp / (double)(n - 1);
    for (size_t i = 0; i < n; i++) {
        double z = step * (double)i;
        if (!counts(t, z - t->contact, step)) continue;
        unknowns = derivatives(t, z, g);
        for (size_t a = 0; a < unknowns; a++)
            for (size_t b = 0; b < unknowns; b++)
                sum[a][b] += g[a] * g[b] / (t->e->noise * t->e->noise);
    }
    gsl_matrix_view fisher = gsl_matrix_view_array_with_tda(sum[0], unknowns, unknowns, 5);
    gsl_linalg_cholesky_decomp1(&fisher.matrix);
    gsl_linalg_cholesky_invert(&fisher.matrix);
    floor[0] = sqrt(sum[0][0]);
    floor[1] = unknowns == 5 ? sqrt(sum[2][2]) : NAN;
}

/* A result over many curves. */
struct tally {
    double sum, square, stated, relative;
    int used, inside;
};

static void count(struct tally *c, struct measured m, double truth)
{
    double score = (m.value - truth) / m.error;
    c->used++;
    c->sum += score, c->square += score * score, c->inside += fabs(score) <= 1.96;
    c->stated += m.error / truth, c->relative += pow(m.value / truth - 1, 2);
}

static void print_floor(double scatter, double floor)
{
    if (isnan(floor))
        printf(" none |");
    else
        printf(" %.2f |", scatter / floor);
}

/* floor: NULL = no such column */
static void print_row(const struct tally *c, const char *name, double ratio, int curves,
                      const double *floor)
{
    double mean = c->sum / c->used, scatter = sqrt(c->relative / c->used);
    printf("| %s | %.2f | %.2f %% | %.2f %% |", name, ratio / c->used, 100 * scatter,
           100 * c->stated / c->used);
    if (floor) print_floor(scatter, *floor);
    printf(" %+.2f | %.2f | %.1f %% | %d |\n", mean, sqrt(c->square / c->used - mean * mean),
           100.0 * c->inside / c->used, curves - c->used);
}

static void reverse(double *x, size_t n)
{
    for (size_t i = 0; i < n / 2; i++) {
        double kept = x[i];
        x[i] = x[n - 1 - i], x[n - 1 - i] = kept;
    }
}

/* The next curve; borrows static arrays. */
static void make_curve(const struct trial *t, enum kind kind, gsl_rng *rng, struct raw_curve *raw)
{
    static double z[MOST], d[MOST], noise[MOST];
    size_t n = t->e->n;
    double shift = gsl_rng_uniform(rng) * t->ramp / (double)n;
    *raw = (struct raw_curve){.stage = {STAGE_DEFLECTION, STAGE_DEFLECTION, STAGE_DEFLECTION}};
    make_noise(rng, kind, t->e->noise, n, noise);
    for (size_t i = 0; i < n; i++) {
        z[i] = t->ramp * (double)i / (double)(n - 1);
        d[i] = 3e-9 + 0.002 * z[i] + deflection(t, z[i] - t->contact - shift) + noise[i];
    }
    if (t->plan.segment == SEG_RETRACT) reverse(z, n), reverse(d, n);
    raw->seg[t->plan.segment] = (struct raw_segment){.n = n, .signal = d, .z_m = z};
}

/* What the first pass of a map would learn of drift; the tables say where it learnt anything. Draws
 * of its own, so that its curves do not change those of the tables. */
static double learn_drift(const struct trial *t, enum kind kind)
{
    enum { LOOKED_AT = 256 };
    static struct walk_curve seen[LOOKED_AT];
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
    struct curve_work *work = curve_work_new(t->e->n);
    struct shared_walk found;
    for (int k = 0; k < LOOKED_AT; k++) {
        struct raw_curve raw;
        const double *rest;
        make_curve(t, kind, rng, &raw);
        size_t n = curve_off_surface(&t->plan, &raw, work, &rest);
        seen[k].samples = 0;
        if (n > 0) walk_look(rest, n, &seen[k]);
    }
    walk_find(seen, LOOKED_AT, &found);
    curve_work_free(work);
    gsl_rng_free(rng);
    return found.step > 0 ? found.step : NAN;
}

static double drift_of(const struct trial *t, enum kind kind)
{
    if (kind == WALK) return NAN;
    return kind == KNOWN_WALK ? walk_step * t->e->noise : learn_drift(t, kind);
}

static void run(const struct trial *t, enum kind kind, int curves, gsl_rng *rng, bool with_floor)
{
    size_t n = t->e->n;
    struct raw_curve raw;
    struct curve_work *work = curve_work_new(n);
    struct tally modulus = {0}, work_of = {0};
    double ratio = 0, floor[2];
    bool retract = t->plan.segment == SEG_RETRACT;
    for (int c = 0; c < curves; c++) {
        struct pixel_result r;
        make_curve(t, kind, rng, &raw);
        curve_analyse(&t->plan, &raw, work, &r, NULL);
        struct measured m = r.map[MAP_reduced_modulus], w = r.map[MAP_work_of_adhesion];
        if (r.state == STATE_rejected || !isfinite(m.value) || !isfinite(m.error)) continue;
        count(&modulus, m, t->sample.reduced_modulus_pa);
        if (retract) count(&work_of, w, t->sample.work_j_per_m2);
        ratio += r.map[MAP_stiffness_ratio].value;
    }
    char name[128];
    if (with_floor) floors_of(t, floor);
    print_row(&modulus, t->e->name, ratio, curves, with_floor ? floor : NULL);
    snprintf(name, sizeof name, "%s: w", t->e->name);
    if (retract) print_row(&work_of, name, ratio, curves, with_floor ? floor + 1 : NULL);
    curve_work_free(work);
}

static void heading(const char *words, bool with_floor)
{
    printf("\n## Noise: %s\n\n| experiment | kc/k | scatter | stated |%s mean z | sd z | "
           "covered | "
           "rejected |\n|---|---|---|---|%s---|---|---|---|\n",
           words, with_floor ? " floor |" : "", with_floor ? "---|" : "");
}

/* Steps of the walk that a first pass over 256 curves found, in units of the white noise. */
static void print_learnt(const double learnt[EXPERIMENTS])
{
    const char *before = "";
    printf("\nDrift learnt: ");
    for (int e = 0; e < EXPERIMENTS; e++)
        if (learnt[e] > 0) printf("%s%.4f (row %d)", before, learnt[e], e + 1), before = ", ";
    printf("%s\n", *before ? " of the noise a sample." : "none.");
}

/* Last, so that its curves do not change those of the tables before. */
static void run_further(int curves, gsl_rng *rng)
{
    heading("white; tips of other shapes, and those that stick (retract; their second row is w)",
            true);
    for (int e = 0; e < FURTHER; e++) {
        struct trial t;
        make_trial(&further[e], 0, &t);
        t.plan.drift_m = drift_of(&t, WHITE);
        run(&t, WHITE, curves, rng, true);
    }
}

int main(int argc, char **argv)
{
    int curves = argc > 1 ? (int)strtol(argv[1], NULL, 10) : 2000;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (argc > 2) { /* that table alone */
        run_further(curves, rng);
        gsl_rng_free(rng);
        return 0;
    }
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
        double learnt[EXPERIMENTS];
        heading(kind_words[kind], with_floor);
        for (int e = 0; e < EXPERIMENTS; e++) {
            struct trial t;
            make_trial(&experiments[e], e, &t);
            t.plan.drift_m = NAN;
            t.plan.drift_m = drift_of(&t, (enum kind)kind);
            learnt[e] = t.plan.drift_m / t.e->noise;
            run(&t, (enum kind)kind, curves, rng, with_floor);
        }
        if (kind != WALK && kind != KNOWN_WALK) print_learnt(learnt);
    }
    run_further(curves, rng);
    gsl_rng_free(rng);
    return 0;
}
