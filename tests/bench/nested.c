/* How often the intervals of nested_describe and nested_compare hold the true value, and how often
 * the rank test cries wolf, on simulated studies whose truth is known. Prints the tables of
 * docs/study.md. nested [STUDIES] */
#include "review/nested.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { DRAWS = 1000, LARGEST = 400, PIXELS = 400 };

struct design {
    size_t samples, cells;
    double between; /* spread of ln modulus from sample to sample; from cell to cell it is 0.3 */
};

static const struct design designs[] = {{1, 6, 0},   {1, 20, 0},  {3, 4, 0},   {3, 4, 0.3},
                                        {4, 5, 0.3}, {6, 5, 0.3}, {10, 8, 0.3}};

/* One condition; medians of both levels are 1. */
static size_t draw(gsl_rng *r, const struct design *d, size_t condition, struct nested_value *v)
{
    size_t n = 0;
    for (size_t s = 0; s < d->samples; s++) {
        double of_sample = gsl_ran_gaussian(r, d->between);
        for (size_t c = 0; c < d->cells; c++, n++)
            v[n] = (struct nested_value){condition, condition * 100 + s,
                                         condition * 10000 + s * 100 + c,
                                         exp(of_sample + gsl_ran_gaussian(r, 0.3))};
    }
    return n;
}

static void stop(const struct report *rep)
{
    fprintf(stderr, "%s\n", rep->text);
    exit(1);
}

static void row(gsl_rng *r, const struct design *d, size_t studies)
{
    size_t median = 0, effect = 0, alarms = 0, by_samples = 0;
    struct report rep;
    for (size_t k = 0; k < studies; k++) {
        struct nested_value v[LARGEST];
        struct nested_group g;
        struct nested_difference f;
        size_t n = draw(r, d, 0, v);
        n += draw(r, d, 1, v + n);
        n = nested_cells(v, n);
        if (nested_describe(v, n, 0, DRAWS, k + 1, &g, &rep) != ST_OK) stop(&rep);
        if (nested_compare(v, n, 0, 1, true, DRAWS, k + 1, &f, &rep) != ST_OK) stop(&rep);
        median += g.low <= 1 && 1 <= g.high;
        effect += f.low <= 1 && 1 <= f.high;
        alarms += f.p <= 0.05;
        by_samples += f.by_samples;
    }
    printf("| %zu x %zu | %g | %.2f | %.2f | %.3f (%s) |\n", d->samples, d->cells, d->between,
           (double)median / (double)studies, (double)effect / (double)studies,
           (double)alarms / (double)studies, by_samples ? "samples" : "cells");
}

/* The wrong way: every pixel a repeat. Welch's test, normal theory is good enough for so many. */
static void pixels(gsl_rng *r, size_t studies)
{
    size_t alarms = 0;
    for (size_t k = 0; k < studies; k++) {
        double mean[2], variance[2];
        for (int g = 0; g < 2; g++) {
            static double v[6 * PIXELS];
            for (size_t c = 0; c < 6; c++) {
                double cell = gsl_ran_gaussian(r, 0.3);
                for (size_t i = 0; i < PIXELS; i++)
                    v[c * PIXELS + i] = cell + gsl_ran_gaussian(r, 0.3);
            }
            mean[g] = gsl_stats_mean(v, 1, 6 * PIXELS);
            variance[g] = gsl_stats_variance(v, 1, 6 * PIXELS) / (6 * PIXELS);
        }
        alarms += fabs(mean[1] - mean[0]) > 1.96 * sqrt(variance[0] + variance[1]);
    }
    printf("\nSix cells against six, no difference, %d pixels each taken as repeats: p < 0.05 in "
           "%.2f of %zu studies.\n",
           PIXELS, (double)alarms / (double)studies, studies);
}

int main(int argc, char **argv)
{
    size_t studies = argc > 1 ? strtoul(argv[1], NULL, 10) : 1000;
    gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(r, 7);
    printf("%zu simulated studies of each design, no difference between the conditions\n\n",
           studies);
    printf("| samples x cells | sample to sample | interval of the median holds it | interval of "
           "the ratio holds it "
           "| p of at most 0.05 (units) |\n|---|---|---|---|---|\n");
    for (size_t i = 0; i < sizeof designs / sizeof *designs; i++)
        row(r, &designs[i], studies);
    pixels(r, studies);
    gsl_rng_free(r);
    return 0;
}
