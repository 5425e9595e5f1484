/* How often `cantle summary` is right, on planes with known truth: number of phases, coverage of
 * the interval of the median, false alarms of the log-normal test. summary_rates [PLANES [SIDE]] */
#include "review/blocks.h"
#include "review/lognormal.h"
#include "review/phases.h"
#include "review/robust.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_sort_double.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { PHASES_MOST = 3, DRAWS = 400 };

/* What a plane is made of: phases of ln x (in units of their own scatter), domains and scatter with
 * correlation lengths (standard deviation of a Gaussian filter, pixels; 0 = independent). */
struct scene {
    const char *words;
    int k;
    double mean[PHASES_MOST], upper[PHASES_MOST]; /* upper: share of the area up to this phase */
    double domain, smooth;
};

static const struct scene scenes[] = {
    {"1 phase, independent pixels", 1, {0}, {1}, 0, 0},
    {"1 phase, filter 1 pixel", 1, {0}, {1}, 0, 1},
    {"1 phase, filter 2 pixels", 1, {0}, {1}, 0, 2},
    {"1 phase, filter 4 pixels", 1, {0}, {1}, 0, 4},
    {"2 phases 70:30, 2 apart, independent", 2, {0, 2}, {0.7, 1}, 4, 0},
    {"2 phases 70:30, 3 apart, independent", 2, {0, 3}, {0.7, 1}, 4, 0},
    {"2 phases 70:30, 4 apart, independent", 2, {0, 4}, {0.7, 1}, 4, 0},
    {"2 phases 95:5, 4 apart, independent", 2, {0, 4}, {0.95, 1}, 4, 0},
    {"2 phases 70:30, 3 apart, filter 1 pixel", 2, {0, 3}, {0.7, 1}, 4, 1},
    {"2 phases 70:30, 4 apart, filter 2 pixels", 2, {0, 4}, {0.7, 1}, 4, 2},
    {"2 phases 70:30, 6 apart, filter 2 pixels", 2, {0, 6}, {0.7, 1}, 4, 2},
    {"3 phases 50:30:20, 4 apart, independent", 3, {0, 4, 8}, {0.5, 0.8, 1}, 4, 0},
    {"3 phases 50:30:20, 6 apart, filter 1 pixel", 3, {0, 6, 12}, {0.5, 0.8, 1}, 4, 1},
};

/* White noise through a Gaussian filter, unit variance. out [n*n] */
static void make_field(gsl_rng *rng, size_t n, double filter, double *out)
{
    size_t half = (size_t)ceil(4 * filter), m = n + 2 * half;
    double *noise = malloc(m * m * sizeof *noise), *rows = malloc(m * n * sizeof *rows);
    double kernel[128], square = 0;
    for (size_t k = 0; k <= 2 * half; k++) {
        double z = filter > 0 ? ((double)k - (double)half) / filter : 0;
        kernel[k] = exp(-z * z / 2);
        square += kernel[k] * kernel[k];
    }
    for (size_t i = 0; i < m * m; i++)
        noise[i] = gsl_ran_ugaussian(rng);
    for (size_t i = 0; i < m; i++)
        for (size_t j = 0; j < n; j++) {
            double sum = 0;
            for (size_t k = 0; k <= 2 * half; k++)
                sum += kernel[k] * noise[i * m + j + k];
            rows[i * n + j] = sum;
        }
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j < n; j++) {
            double sum = 0;
            for (size_t k = 0; k <= 2 * half; k++)
                sum += kernel[k] * rows[(i + k) * n + j];
            out[i * n + j] = sum / square;
        }
    free(noise);
    free(rows);
}

/* Domains: a smooth field cut at its quantiles, so that the shares hold in each plane. */
static void make_plane(gsl_rng *rng, const struct scene *s, size_t n, double *value)
{
    double *domain = malloc(n * n * sizeof *domain), *sorted = malloc(n * n * sizeof *sorted);
    make_field(rng, n, s->smooth, value);
    if (s->k > 1) make_field(rng, n, s->domain, domain);
    for (size_t i = 0; i < n * n; i++)
        sorted[i] = domain[i] = s->k > 1 ? domain[i] : 0;
    gsl_sort(sorted, 1, n * n);
    for (size_t i = 0; i < n * n; i++) {
        int phase = 0;
        while (phase < s->k - 1 && domain[i] > robust_quantile(sorted, n * n, s->upper[phase]))
            phase++;
        value[i] += s->mean[phase];
    }
    free(domain);
    free(sorted);
}

struct tally {
    int planes, right_bic, right, more_bic, more, covered, covered_single, p, p_correlated;
    double n_effective, fraction, fraction_se, fraction_square;
};

static bool covers(const struct phase_data *d, const size_t *index, const struct correlation *c,
                   struct phase_draws *phases)
{
    struct report rep;
    struct blocks *b;
    double median[DRAWS];
    unsigned *count = malloc(d->n * sizeof *count);
    if (blocks_make(&b, d->ny, d->nx, c->block_y, c->block_x, index, d->n, 1, &rep) != ST_OK)
        return false;
    for (int i = 0; i < DRAWS; i++) {
        size_t total = blocks_draw(b, count);
        median[i] = robust_median_counted(d->sorted, count, d->n, total);
        if (phases && i < 100) phase_draws_add(phases, count);
    }
    gsl_sort(median, 1, DRAWS);
    blocks_free(&b);
    free(count);
    double level = blocks_level(c, d->n, 0.95);
    return robust_quantile(median, DRAWS, level) <= 0 &&
           robust_quantile(median, DRAWS, 1 - level) >= 0;
}

static void judge(const struct scene *s, const struct phase_data *d, const size_t *index,
                  const double *ranks, struct tally *t)
{
    struct report rep = {""};
    struct correlation c;
    struct phases p;
    struct phase_draws *draws;
    struct progress silent;
    struct lognormal l;
    const struct correlation single = {1, 1, 1, (double)d->n, 1, 1, 1};
    progress_begin(&silent, NULL, "", 0);
    if (correlation_find(d->ny, d->nx, ranks, 0, &c, &rep) != ST_OK ||
        phases_find(d, MIXTURE_MOST, 0, &silent, &p, &rep) != ST_OK)
        return;
    t->planes++;
    t->right_bic += p.by_bic == s->k;
    t->right += p.by_weighted == s->k;
    t->more_bic += p.by_bic > s->k;
    t->more += p.by_weighted > s->k;
    t->n_effective += c.n_effective;
    p.chosen = s->k;
    if (phase_draws_make(&draws, d, &p, &rep) != ST_OK) return;
    if (s->k == 1) {
        t->covered += covers(d, index, &c, draws);
        t->covered_single += covers(d, index, &single, NULL);
        lognormal_fit(d->sorted, d->n, c.n_effective, &l);
        t->p += l.p < 0.05;
        t->p_correlated += l.p_correlated < 0.05;
    } else if (t->planes <= 20) {
        covers(d, index, &c, draws);
        phase_draws_close(draws, sqrt(c.lost), &p);
        t->fraction_se += p.weight_se[0] / 20;
    }
    double off = p.fit[s->k - 1].weight[0] - s->upper[0];
    t->fraction += off;
    t->fraction_square += off * off;
    phase_draws_free(&draws);
}

static void run(const struct scene *s, int planes, size_t side, unsigned long seed)
{
    size_t n = side * side, *index = malloc(n * sizeof *index), *order = malloc(n * sizeof *order);
    double *value = malloc(n * sizeof *value), *sorted = malloc(n * sizeof *sorted),
           *area = malloc(n * sizeof *area), *ranks = malloc(n * sizeof *ranks);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct tally t = {0};
    gsl_rng_set(rng, seed);
    for (int i = 0; i < planes; i++) {
        make_plane(rng, s, side, value);
        gsl_sort_index(order, value, 1, n);
        for (size_t k = 0; k < n; k++) {
            index[order[k]] = k;
            ranks[order[k]] = (double)k;
            sorted[k] = value[order[k]];
            area[k] = 1;
        }
        const struct phase_data d = {side, side, n, value, sorted, area};
        judge(s, &d, index, ranks, &t);
    }
    double all = t.planes;
    printf("| %-43s | %7.0f | %5.1f | %5.1f | %5.1f | %5.1f |", s->words, t.n_effective / all,
           100 * t.right_bic / all, 100 * t.more_bic / all, 100 * t.right / all,
           100 * t.more / all);
    if (s->k == 1)
        printf(" %5.1f | %5.1f | %5.1f | %5.1f | | |\n", 100 * t.covered_single / all,
               100 * t.covered / all, 100 * t.p / all, 100 * t.p_correlated / all);
    else
        printf(" | | | | %.4f | %.4f |\n", sqrt(t.fraction_square / all), t.fraction_se);
    fflush(stdout);
    gsl_rng_free(rng);
    free(index);
    free(order);
    free(value);
    free(sorted);
    free(area);
    free(ranks);
}

int main(int argc, char **argv)
{
    int planes = argc > 1 ? (int)strtol(argv[1], NULL, 10) : 200;
    size_t side = argc > 2 ? strtoul(argv[2], NULL, 10) : 64;
    printf(
        "| planes of %zu x %zu, %d each | n eff. | BIC right %% | too many | weighted right | too "
        "many | coverage, pixels | coverage, blocks | p < 0.05 | corrected | fraction off (rms) "
        "| its error |\n|---|---|---|---|---|---|---|---|---|---|---|---|\n",
        side, side, planes);
    for (size_t i = 0; i < sizeof scenes / sizeof *scenes; i++)
        if (argc < 4 || strtoul(argv[3], NULL, 10) >> i & 1) run(&scenes[i], planes, side, 100 + i);
    return 0;
}
