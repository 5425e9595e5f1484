/* How often breaks_find cries wolf on clean maps, and how large a tip change must be to be seen:
 * maps made at the level of pixels, so that thousands take seconds. Prints the tables of
 * docs/tip-and-drift.md. tip_watch [MAPS [COLUMNS [LEVEL]]] */
#include "review/breaks.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { ADHESION, MODULUS, HEIGHT, CHANNELS, LARGEST = 256 };

struct scene {
    const char *name, *words;
    void (*draw)(gsl_rng *r, size_t n);
};
static double map[CHANNELS][LARGEST * LARGEST];

/* Smooth random fields: eight waves. */
static double wave[2][8][3];

static void draw_waves(gsl_rng *r, double most)
{
    for (int f = 0; f < 2; f++)
        for (int i = 0; i < 8; i++) {
            double k = most * (0.3 + 0.7 * gsl_rng_uniform(r)), a = 2 * M_PI * gsl_rng_uniform(r);
            wave[f][i][0] = k * cos(a);
            wave[f][i][1] = k * sin(a);
            wave[f][i][2] = 2 * M_PI * gsl_rng_uniform(r);
        }
}

static double field(int f, double u, double v)
{
    double sum = 0;
    for (int i = 0; i < 8; i++)
        sum += sin(wave[f][i][0] * u + wave[f][i][1] * v + wave[f][i][2]);
    return sum / 2;
}

static void uniform(gsl_rng *r, size_t n)
{
    (void)r;
    memset(map, 0, sizeof map);
    (void)n;
}

/* Tilt, bow and slow drift of everything, with a gentle surface. */
static void tilted(gsl_rng *r, size_t n)
{
    double a[6];
    draw_waves(r, 15);
    for (int i = 0; i < 6; i++)
        a[i] = gsl_ran_gaussian(r, 1);
    for (size_t i = 0; i < n * n; i++) {
        double u = (double)(i % n) / (double)n, v = (double)(i / n) / (double)n;
        map[ADHESION][i] = 0.2 * a[0] * v + 0.1 * field(1, u, v);
        map[MODULUS][i] = 0.2 * a[1] * v + 0.1 * field(1, v, u);
        map[HEIGHT][i] = 100e-9 * (a[2] * u + a[3] * v + a[4] * v * v) + 10e-9 * field(0, u, v);
    }
}

/* Two phases with an edge; `share` moves the threshold. */
static void phases(gsl_rng *r, size_t n, double most, double steep)
{
    draw_waves(r, most);
    double threshold = gsl_ran_gaussian(r, 0.4);
    for (size_t i = 0; i < n * n; i++) {
        double u = (double)(i % n) / (double)n, v = (double)(i / n) / (double)n;
        double in = 0.5 + 0.5 * tanh(steep * (field(0, u, v) - threshold));
        map[ADHESION][i] = -0.7 * in;
        map[MODULUS][i] = 3 * in;
        map[HEIGHT][i] = 6e-9 * in + 5e-9 * field(1, u, v) + 20e-9 * u - 8e-9 * v;
    }
}

static void blend(gsl_rng *r, size_t n)
{
    phases(r, n, 60, 8);
}

static void coarse_blend(gsl_rng *r, size_t n)
{
    phases(r, n, 15, 20);
}

/* Round stiff islands in a matrix. */
static void islands(gsl_rng *r, size_t n)
{
    double at[26][3];
    for (int k = 0; k < 26; k++)
        for (int c = 0; c < 3; c++)
            at[k][c] = c < 2 ? gsl_rng_uniform(r) : 0.04 + 0.07 * gsl_rng_uniform(r);
    draw_waves(r, 15);
    for (size_t i = 0; i < n * n; i++) {
        double u = (double)(i % n) / (double)n, v = (double)(i / n) / (double)n, inside = -1;
        for (int k = 0; k < 26; k++)
            inside = fmax(inside, at[k][2] - hypot(u - at[k][0], v - at[k][1]));
        double in = 0.5 + 0.5 * tanh(inside / 0.006);
        map[ADHESION][i] = -0.7 * in;
        map[MODULUS][i] = 3 * in;
        map[HEIGHT][i] = 20e-9 * in + 5e-9 * field(1, u, v);
    }
}

/* One to four cells on glass, with a nucleus; on the glass there is no modulus and no contact
 * height that can be used in half of the maps. */
static void cells(gsl_rng *r, size_t n)
{
    double at[4][4];
    bool bare = gsl_rng_uniform(r) < 0.5;
    size_t many = 1 + gsl_rng_uniform_int(r, 4);
    for (int k = 0; k < 4; k++) {
        at[k][0] = gsl_rng_uniform(r);
        at[k][1] = gsl_rng_uniform(r);
        at[k][2] = 0.15 + 0.3 * gsl_rng_uniform(r);
        at[k][3] = 2e-6 + 3e-6 * gsl_rng_uniform(r);
    }
    draw_waves(r, 40);
    for (size_t i = 0; i < n * n; i++) {
        double u = (double)(i % n) / (double)n, v = (double)(i / n) / (double)n, tall = 0, core = 0;
        for (size_t k = 0; k < many; k++) {
            double q = 1 - pow(hypot(u - at[k][0], v - at[k][1]) / at[k][2], 2);
            tall = fmax(tall, q > 0 ? at[k][3] * sqrt(q) : 0);
            core = fmax(core, q - 0.8);
        }
        map[HEIGHT][i] = tall + 50e-9 * field(1, u, v);
        map[MODULUS][i] = tall > 0 ? (core > 0 ? -0.4 : 0) + 0.3 * field(0, u, v) : 4;
        map[ADHESION][i] = tall > 0 ? 0.2 * field(1, v, u) : 1;
        if (bare && !(tall > 0)) map[MODULUS][i] = map[HEIGHT][i] = map[ADHESION][i] = NAN;
    }
}

/* Stripes of two phases in any direction, those along the scan lines too. */
static void stripes(gsl_rng *r, size_t n)
{
    double angle = M_PI * gsl_rng_uniform(r), k = 2 * M_PI * (3 + 9 * gsl_rng_uniform(r));
    double begin = 2 * M_PI * gsl_rng_uniform(r);
    draw_waves(r, 15);
    for (size_t i = 0; i < n * n; i++) {
        double u = (double)(i % n) / (double)n, v = (double)(i / n) / (double)n;
        double in = 0.5 + 0.5 * tanh(4 * sin(k * (u * cos(angle) + v * sin(angle)) + begin +
                                             0.5 * field(0, u, v)));
        map[ADHESION][i] = -0.4 * in;
        map[MODULUS][i] = 1.5 * in;
        map[HEIGHT][i] = 3e-9 * in;
    }
}

static const struct scene scenes[] = {
    {"uniform", "one material, flat", uniform},
    {"tilt, drift", "tilt, bow, slow drift of all three maps, gentle surface", tilted},
    {"fine blend", "two polymers, about ten domains across", blend},
    {"coarse blend", "two polymers, two or three domains across", coarse_blend},
    {"islands", "26 round stiff islands in a matrix", islands},
    {"cells", "one to four cells on glass; in half of the maps the glass has no values", cells},
    {"stripes", "two phases in stripes of any direction, with wavy edges", stripes},
};
enum { SCENES = sizeof scenes / sizeof *scenes };

/* What every measurement has: noise of pixels and of lines (with memory), wild pixels, rejected
 * ones, one bad line in a third of the maps. */
static void disturb(gsl_rng *r, size_t n)
{
    static const double pixel[CHANNELS] = {0.04, 0.08, 0.5e-9},
                        line[CHANNELS] = {0.005, 0.005, 0.5e-9};
    size_t bad = gsl_rng_uniform(r) < 1.0 / 3 ? gsl_rng_uniform_int(r, n) : n;
    double memory = 0.7 * gsl_rng_uniform(r), own = exp(gsl_ran_gaussian(r, 0.5));
    for (int c = 0; c < CHANNELS; c++) {
        double level = 0, walk = 0;
        for (size_t i = 0; i < n; i++) {
            level = memory * level + own * gsl_ran_gaussian(r, line[c]);
            walk += c == HEIGHT ? gsl_ran_gaussian(r, 0.2e-9) : 0;
            for (size_t j = 0; j < n; j++) {
                double *v = &map[c][i * n + j];
                *v += level + walk + own * gsl_ran_gaussian(r, pixel[c]);
                if (i == bad) *v += c == HEIGHT ? 20e-9 : 0.5;
                if (gsl_rng_uniform(r) < 0.01) *v += c == HEIGHT ? 50e-9 : 1;
            }
        }
    }
    for (size_t i = 0; i < n * n; i++)
        if (gsl_rng_uniform(r) < 0.02) map[ADHESION][i] = map[MODULUS][i] = map[HEIGHT][i] = NAN;
}

static void look(size_t n, double level, struct breaks *out)
{
    const struct break_channel channels[CHANNELS] = {
        {map[0], 1e-3}, {map[1], 1e-3}, {map[2], 1e-11}};
    struct report rep;
    if (breaks_find(channels, CHANNELS, n, n, level, out, &rep) != ST_OK) {
        fprintf(stderr, "%s\n", rep.text);
        exit(1);
    }
}

static void false_alarms(gsl_rng *r, size_t maps, size_t n, double level)
{
    static const double nominal[] = {0.5, 0.1, 0.05, 0.01};
    size_t all[4] = {0}, alarms = 0;
    printf("\n%zu clean maps of each sample, %zu x %zu pixels\n\n", maps, n, n);
    printf("| sample | p < 0.5 | p < 0.1 | p < 0.05 | p < 0.01 | alarms at %g "
           "|\n|---|---|---|---|---|---|\n",
           level);
    for (int s = 0; s < SCENES; s++) {
        size_t below[4] = {0}, alarm = 0;
        for (size_t m = 0; m < maps; m++) {
            struct breaks b;
            scenes[s].draw(r, n);
            disturb(r, n);
            look(n, level, &b);
            for (int k = 0; k < 4; k++)
                below[k] += b.smallest_p < nominal[k];
            alarm += b.n > 0;
        }
        printf("| %s |", scenes[s].name);
        for (int k = 0; k < 4; all[k] += below[k], k++)
            printf(" %.4f |", (double)below[k] / (double)maps);
        printf(" %zu |\n", alarm);
        alarms += alarm;
    }
    printf("| all |");
    for (int k = 0; k < 4; k++)
        printf(" %.4f |", (double)all[k] / (double)(maps * SCENES));
    printf(" %zu of %zu |\n", alarms, maps * SCENES);
}

struct change {
    const char *words;
    double step[CHANNELS];
};

static void detection(gsl_rng *r, size_t maps, size_t n, double level)
{
    static const struct change changes[] = {
        {"adhesion 3 %", {0.03, 0, 0}},      {"adhesion 10 %", {0.1, 0, 0}},
        {"adhesion 30 %", {0.3, 0, 0}},      {"modulus 10 %", {0, 0.1, 0}},
        {"modulus 30 %", {0, 0.3, 0}},       {"height 2 nm", {0, 0, 2e-9}},
        {"height 10 nm", {0, 0, 10e-9}},     {"radius 5 %", {0.05, 0.025, 0.5e-9}},
        {"radius 10 %", {0.1, 0.05, 1e-9}},  {"radius 20 %", {0.18, 0.09, 2e-9}},
        {"radius 50 %", {0.41, 0.20, 4e-9}}, {"radius 100 %", {0.69, 0.35, 8e-9}},
    };
    printf("\n%zu maps of each, %zu x %zu pixels, one change at a random line with at least four "
           "lines on each side: "
           "share found at the right line (one line off counts)\n\n| change |",
           maps, n, n);
    for (int s = 0; s < SCENES; s++)
        printf(" %s |", scenes[s].name);
    printf(" interval holds the step |\n|---|");
    for (int s = 0; s <= SCENES; s++)
        printf("---|");
    for (size_t k = 0; k < sizeof changes / sizeof *changes; k++) {
        size_t inside = 0, told = 0;
        printf("\n| %s |", changes[k].words);
        for (int s = 0; s < SCENES; s++) {
            size_t found = 0;
            for (size_t m = 0; m < maps; m++) {
                struct breaks b;
                size_t line = 4 + gsl_rng_uniform_int(r, n - 7);
                double sign = gsl_rng_uniform(r) < 0.5 ? -1 : 1;
                scenes[s].draw(r, n);
                disturb(r, n);
                for (int c = 0; c < CHANNELS; c++)
                    for (size_t i = line * n; i < n * n; i++)
                        map[c][i] += sign * changes[k].step[c];
                look(n, level, &b);
                for (size_t i = 0; i < b.n; i++) {
                    if (b.at[i].line + 1 < line || b.at[i].line > line + 1) continue;
                    found++;
                    for (int c = 0; c < CHANNELS; c++) {
                        if (isnan(b.at[i].step[c])) continue;
                        told++;
                        inside += b.at[i].low[c] <= sign * changes[k].step[c] &&
                                  sign * changes[k].step[c] <= b.at[i].high[c];
                    }
                    break;
                }
            }
            printf(" %.2f |", (double)found / (double)maps);
        }
        if (told)
            printf(" %.2f |", (double)inside / (double)told);
        else
            printf(" |");
    }
    printf("\n");
}

int main(int argc, char **argv)
{
    size_t maps = argc > 1 ? strtoul(argv[1], NULL, 10) : 1000,
           n = argc > 2 ? strtoul(argv[2], NULL, 10) : 64;
    double level = argc > 3 ? strtod(argv[3], NULL) : 0.005;
    if (maps < 1 || n < 16 || n > LARGEST) return 2;
    gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(r, 20);
    false_alarms(r, maps, n, level);
    detection(r, maps / 10 + 1, n, level);
    gsl_rng_free(r);
    return 0;
}
