/* What one curve costs on one core, in microseconds: the whole analysis of an approach and a
 * retract of 512 samples each, step by step as options are switched off, and other models. Curves
 * are simulated before the clock starts; each is new, so nothing is learnt from the last. */
#include "bench_curves.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { CURVES = 200, ROUNDS = 12 };

static int only, next_line, rounds = ROUNDS; /* for a profiler: one line, other rounds */

static double run(const struct curve_plan *plan, const struct bench_curves *c, bool with_retract)
{
    struct curve_work *work = curve_work_new(BENCH_SAMPLES);
    double best = INFINITY;
    struct pixel_result r;
    for (int round = 0; round < rounds; round++) {
        double start = bench_cpu_s();
        for (int k = 0; k < CURVES; k++) {
            struct raw_curve raw = bench_raw(c, k, with_retract);
            curve_analyse(plan, &raw, work, &r, NULL);
        }
        best = fmin(best, bench_cpu_s() - start);
    }
    curve_work_free(work);
    return 1e6 * best / CURVES;
}

static void line(const char *words, const struct curve_plan *plan, const struct bench_curves *c,
                 bool with_retract)
{
    if (only && ++next_line != only) return;
    printf("%-60s %8.2f us\n", words, run(plan, c, with_retract));
}

int main(int argc, char **argv)
{
    if (argc > 1) only = atoi(argv[1]), rounds = argc > 2 ? atoi(argv[2]) : 100;
    struct bench_curves c = bench_curves_make(CURVES, 0.1e-9);
    struct curve_plan all = bench_plan("paraboloid", SEG_APPROACH), some = all;
    line("paraboloid, all checks, approach and retract", &all, &c, true);
    line("the same, approach alone", &all, &c, false);
    some.two_depths = false;
    line("approach, without the shallow half", &some, &c, false);
    some.coloured_noise = false;
    line("approach, neither that nor the search for coloured noise", &some, &c, false);
    some.force_space = true;
    line("the same, force over indentation", &some, &c, false);
    static const char *const others[] = {"cone", "flat_punch", "sphere",      "dmt",
                                         "jkr",  "maugis",     "blunted_cone"};
    for (size_t i = 0; i < sizeof others / sizeof *others; i++) {
        bool adhesive = contact_find(others[i])->adhesive;
        struct curve_plan other = bench_plan(others[i], adhesive ? SEG_RETRACT : SEG_APPROACH);
        other.setup.transition = 0.5; /* Maugis' lambda, not searched */
        line(others[i], &other, &c, true);
    }
    bench_curves_free(&c);
    return 0;
}
