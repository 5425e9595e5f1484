/* The contact fit of one curve against general solvers, on one core: same samples, same unknowns,
 * same minimum. Everything before the fit (volts, baseline, first guess of the general solvers) is
 * done outside the clock; cantle's own search for a start is inside it. fit_race [CURVES [ROUNDS]]
 * one line of JSON for each case */
#include "bench_curves.h"
#include "curve/fit_private.h"
#include "general_fit.h"

#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { SOLVERS = 3, MOST_ROUNDS = 101 };
static const char *const solver_names[SOLVERS] = {"cantle", "cminpack", "gsl"};

/* Costs above the best by less than this share are the same minimum. */
static const double same_cost = 1e-6;

struct rival { /* one curve, one solver */
    double theta[GENERAL_MAX], cost;
};

struct runner {               /* one curve */
    struct lane before, lane; /* prepared; and what the fit may change */
    double *before_block, *block;
    double *x, *y, *ramp;
    struct general_problem problem;
    struct general_work *work;
    double start[GENERAL_MAX];
    struct rival rival[SOLVERS];
};

struct race {
    struct curve_plan plan;
    struct curve_work *work;
    int count;
    struct runner *runner;
};

enum { LANE_ARRAYS = 5 };

static void lane_on(struct lane *lane, double *block)
{
    lane->z = block, lane->d = block + BENCH_SAMPLES, lane->flat = block + 2 * BENCH_SAMPLES;
    lane->force = block + 3 * BENCH_SAMPLES, lane->separation = block + 4 * BENCH_SAMPLES;
}

/* As the analysis does it before the fit. */
static void prepare_lane(struct race *race, const struct bench_curves *curves, int k)
{
    struct runner *r = &race->runner[k];
    struct raw_curve raw = bench_raw(curves, k, true);
    double scratch[2 * BENCH_SAMPLES];
    r->before_block = calloc(LANE_ARRAYS * BENCH_SAMPLES, sizeof(double));
    r->block = calloc(LANE_ARRAYS * BENCH_SAMPLES, sizeof(double));
    lane_on(&r->before, r->before_block);
    lane_fill(&race->plan, &raw, race->plan.segment, &r->before);
    lane_find_rough_noise(&r->before, scratch);
    lane_find_baseline(&race->plan, &r->before);
    lane_set_force(&race->plan, &r->before);
}

static void restore(struct runner *r)
{
    memcpy(r->block, r->before_block, LANE_ARRAYS * BENCH_SAMPLES * sizeof(double));
    r->lane = r->before;
    lane_on(&r->lane, r->block);
}

/* The samples cantle would fit, for the others. */
static void prepare_problem(struct race *race, struct runner *r)
{
    struct fit_set set;
    const double nm = 1e9;
    bool lever = !race->plan.force_space;
    fit_set_choose(&race->plan, race->work, &r->before, NAN, &set);
    r->x = malloc(set.n * sizeof(double));
    r->y = malloc(set.n * sizeof(double));
    r->ramp = malloc(set.n * sizeof(double));
    double indent[BENCH_SAMPLES], first = set.z[0], span = set.z[set.n - 1] - first;
    for (size_t i = 0; i < set.n; i++) {
        indent[i] = nm * set.indent[i];
        r->x[i] = lever ? nm * set.z[i] : indent[i];
        r->y[i] = nm * set.y[i];
        r->ramp[i] = 2.0 * (set.z[i] - first) / span - 1.0;
    }
    r->problem = (struct general_problem){.jkr = race->plan.model->adhesive,
                                          .lever = lever,
                                          .spring = race->plan.setup.spring_n_per_m,
                                          .radius = nm * race->plan.setup.radius_m,
                                          .n = set.n,
                                          .contact = set.contact,
                                          .x = r->x,
                                          .y = r->y,
                                          .ramp = r->ramp};
    r->work = general_work_new(&r->problem);
    general_guess(&r->problem, indent, nm * r->before.rough_noise, r->start);
}

static struct race race_make(const struct curve_plan *plan, const struct bench_curves *curves)
{
    struct race race = {.plan = *plan,
                        .work = curve_work_new(BENCH_SAMPLES),
                        .count = curves->count,
                        .runner = calloc((size_t)curves->count, sizeof *race.runner)};
    for (int k = 0; k < race.count; k++) {
        prepare_lane(&race, curves, k);
        prepare_problem(&race, &race.runner[k]);
    }
    return race;
}

static void race_free(struct race *race)
{
    for (int k = 0; k < race->count; k++) {
        struct runner *r = &race->runner[k];
        free(r->before_block), free(r->block), free(r->x), free(r->y), free(r->ramp);
        general_work_free(r->work);
    }
    curve_work_free(race->work);
    free(race->runner);
}

/* Microseconds a curve. */
static double time_cantle(struct race *race)
{
    struct contact_fit fit[8]; /* results go round: what is timed is the fit, not the memory */
    double start;
    for (int k = 0; k < race->count; k++)
        restore(&race->runner[k]);
    start = bench_cpu_s();
    for (int k = 0; k < race->count; k++) {
        uint64_t flags = 0;
        contact_fit_run(&race->plan, race->work, &race->runner[k].lane, &fit[k % 8], &flags);
        double *theta = race->runner[k].rival[0].theta;
        theta[GENERAL_CONTACT_POINT] = 1e9 * fit[k % 8].contact_point;
        theta[GENERAL_MODULUS] = 1e-6 * fit[k % 8].sample.reduced_modulus_pa;
        theta[GENERAL_WORK] = 1e3 * fit[k % 8].sample.work_j_per_m2;
    }
    return 1e6 * (bench_cpu_s() - start) / race->count;
}

static double time_general(struct race *race, int solver)
{
    double start = bench_cpu_s();
    for (int k = 0; k < race->count; k++) {
        struct runner *r = &race->runner[k];
        double *theta = r->rival[solver].theta;
        memcpy(theta, r->start, sizeof r->start);
        (solver == 1 ? general_cminpack : general_gsl)(&r->problem, r->work, theta);
    }
    return 1e6 * (bench_cpu_s() - start) / race->count;
}

struct verdict {
    int above[SOLVERS];      /* curves that ended above the best cost */
    double differs[SOLVERS]; /* largest |E/E_best - 1| of those that did not */
    double cost[SOLVERS];    /* largest cost over the best one, less 1, of those */
};

static void judge_curve(struct runner *r, struct verdict *v)
{
    int best = 0;
    for (int s = 0; s < SOLVERS; s++) {
        r->rival[s].cost = general_cost(&r->problem, r->rival[s].theta);
        if (!isfinite(r->rival[s].cost)) r->rival[s].cost = INFINITY;
        if (r->rival[s].cost < r->rival[best].cost) best = s;
    }
    for (int s = 0; s < SOLVERS; s++) {
        double over = r->rival[s].cost / r->rival[best].cost - 1.0;
        /* the model knows E only through its root: E and -E are one curve */
        double e = fabs(r->rival[s].theta[GENERAL_MODULUS] / r->rival[best].theta[GENERAL_MODULUS]);
        if (!(over <= same_cost)) {
            v->above[s]++;
            continue;
        }
        v->differs[s] = fmax(v->differs[s], fabs(e - 1.0));
        v->cost[s] = fmax(v->cost[s], over);
    }
}

/* The same with what every pixel of a map gets: a second fit to the shallow half and, in deflection
 * space, the search for noise with a memory. */
static double time_checks(struct race *race, int rounds)
{
    double us[MOST_ROUNDS];
    race->plan.two_depths = race->plan.coloured_noise = true;
    for (int round = 0; round < rounds; round++)
        us[round] = time_cantle(race);
    return bench_median(us, rounds);
}

static void print_case(const char *model, bool lever, double noise_m, struct race *race, int rounds)
{
    double us[SOLVERS][MOST_ROUNDS];
    struct verdict v = {0};
    for (int round = -1; round < rounds; round++) /* the first one warms up */
        for (int s = 0; s < SOLVERS; s++)
            us[s][round < 0 ? 0 : round] = s == 0 ? time_cantle(race) : time_general(race, s);
    for (int k = 0; k < race->count; k++)
        judge_curve(&race->runner[k], &v);
    printf(
        "{\"model\": \"%s\", \"space\": \"%s\", \"noise_nm\": %g, \"curves\": %d, \"rounds\": %d",
        model, lever ? "deflection" : "force", 1e9 * noise_m, race->count, rounds);
    for (int s = 0; s < SOLVERS; s++) {
        double median = bench_median(us[s], rounds);
        printf(", \"%s\": {\"us\": %.4f, \"low\": %.4f, \"high\": %.4f, \"above\": %d, "
               "\"modulus\": %.3g, \"cost\": %.3g}",
               solver_names[s], median, us[s][0], us[s][rounds - 1], v.above[s], v.differs[s],
               v.cost[s]);
    }
    printf(", \"checks_us\": %.4f}\n", time_checks(race, rounds));
    fflush(stdout);
}

static void run_case(const char *model, bool lever, double noise_m, int count, int rounds)
{
    enum segment_id segment = contact_find(model)->adhesive ? SEG_RETRACT : SEG_APPROACH;
    struct curve_plan plan = bench_plan(model, segment);
    struct bench_curves curves = bench_curves_make(count, noise_m);
    /* the bare fit: no second fit to the shallow half, no search for noise with a memory */
    plan.two_depths = plan.coloured_noise = false;
    plan.force_space = !lever;
    struct race race = race_make(&plan, &curves);
    print_case(model, lever, noise_m, &race, rounds);
    race_free(&race);
    bench_curves_free(&curves);
}

int main(int argc, char **argv)
{
    int count = argc > 1 ? (int)strtol(argv[1], NULL, 10) : 256;
    int rounds = argc > 2 ? (int)strtol(argv[2], NULL, 10) : 7;
    static const char *const models[] = {"paraboloid", "jkr"};
    static const double noises[] = {0.1e-9, 1e-9};
    if (count < 1 || rounds < 1 || rounds > MOST_ROUNDS) {
        fprintf(stderr, "fit_race: curves from 1, rounds from 1 to %d\n", MOST_ROUNDS);
        return 1;
    }
    gsl_set_error_handler_off(); /* a solver that gives up is counted, not fatal */
    for (int m = 0; m < 2; m++)
        for (int noise = 0; noise < 2; noise++)
            for (int lever = 0; lever < 2; lever++)
                run_case(models[m], lever == 1, noises[noise], count, noise ? 1 : rounds);
    return 0;
}
