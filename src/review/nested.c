#include "review/nested.h"

#include <gsl/gsl_rng.h>
#include <gsl/gsl_sf_gamma.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { FEWEST_FOR_INTERVAL = 3, DEALS_MOST = 100000 };

static int in_order(const void *a, const void *b)
{
    const struct nested_value *x = a, *y = b;
    if (x->condition != y->condition) return x->condition < y->condition ? -1 : 1;
    if (x->sample != y->sample) return x->sample < y->sample ? -1 : 1;
    if (x->cell != y->cell) return x->cell < y->cell ? -1 : 1;
    return x->value < y->value ? -1 : x->value > y->value;
}

size_t nested_cells(struct nested_value *v, size_t n)
{
    size_t cells = 0;
    qsort(v, n, sizeof *v, in_order);
    for (size_t i = 0, end; i < n; i = end) {
        for (end = i + 1; end < n && v[end].condition == v[i].condition &&
                          v[end].sample == v[i].sample && v[end].cell == v[i].cell;)
            end++;
        size_t middle = i + (end - i) / 2; /* sorted by value within the cell */
        double median = (end - i) % 2 ? v[middle].value
                                      : 0.5 * (v[middle - 1].value + v[middle].value);
        v[cells] = v[i];
        v[cells++].value = median;
    }
    return cells;
}

/* The cells of one condition, sample after sample. */
struct tree {
    size_t samples, cells;
    size_t *first;  /* [samples + 1] index of a sample's first cell */
    double *value;  /* [cells] */
    double *drawn;  /* [cells of the largest sample] */
    double *median; /* [samples] */
    void *room;
};

static enum status tree_make(struct tree *t, const struct nested_value *v, size_t n,
                             size_t condition, struct report *rep)
{
    *t = (struct tree){0};
    double *reals = calloc(3 * n + 3, sizeof *reals);
    t->first = calloc(n + 1, sizeof *t->first);
    t->room = reals;
    if (!reals || !t->first)
        return fail(rep, ST_MEMORY, "not enough memory to compare %zu cells", n);
    t->value = reals;
    t->drawn = reals + n + 1;
    t->median = t->drawn + n + 1;
    for (size_t i = 0; i < n; i++) {
        if (v[i].condition != condition) continue;
        if (t->cells == 0 || v[i].sample != v[i - 1].sample) t->first[t->samples++] = t->cells;
        t->value[t->cells++] = v[i].value;
    }
    t->first[t->samples] = t->cells;
    return ST_OK;
}

static void tree_free(struct tree *t)
{
    free(t->room);
    free(t->first);
    *t = (struct tree){0};
}

static double nested_median(struct tree *t)
{
    for (size_t s = 0; s < t->samples; s++) {
        size_t n = t->first[s + 1] - t->first[s];
        memcpy(t->drawn, t->value + t->first[s], n * sizeof *t->drawn);
        t->median[s] = gsl_stats_median(t->drawn, 1, n);
    }
    return t->samples ? gsl_stats_median(t->median, 1, t->samples) : (double)NAN;
}

/* The nested median of one draw with replacement. */
static double draw_median(struct tree *t, gsl_rng *r)
{
    for (size_t s = 0; s < t->samples; s++) {
        size_t from = gsl_rng_uniform_int(r, t->samples);
        size_t n = t->first[from + 1] - t->first[from];
        for (size_t k = 0; k < n; k++)
            t->drawn[k] = t->value[t->first[from] + gsl_rng_uniform_int(r, n)];
        t->median[s] = gsl_stats_median(t->drawn, 1, n);
    }
    return gsl_stats_median(t->median, 1, t->samples);
}

static void interval_of(double *drawn, size_t n, double *low, double *high)
{
    gsl_sort(drawn, 1, n);
    *low = gsl_stats_quantile_from_sorted_data(drawn, 1, n, 0.025);
    *high = gsl_stats_quantile_from_sorted_data(drawn, 1, n, 0.975);
}

static gsl_rng *seeded(unsigned long seed)
{
    gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
    if (r) gsl_rng_set(r, seed);
    return r;
}

enum status nested_describe(const struct nested_value *cells, size_t n, size_t condition,
                            size_t draws, unsigned long seed, struct nested_group *out,
                            struct report *rep)
{
    struct tree t = {0};
    double *drawn = malloc((draws + 1) * sizeof *drawn);
    gsl_rng *r = seeded(seed);
    *out = (struct nested_group){.median = NAN, .low = NAN, .high = NAN};
    enum status st = drawn && r ? tree_make(&t, cells, n, condition, rep)
                                : fail(rep, ST_MEMORY, "not enough memory for a bootstrap");
    if (st == ST_OK) {
        out->samples = t.samples;
        out->cells = t.cells;
        out->median = nested_median(&t);
        for (size_t k = 0; k < draws && t.cells >= FEWEST_FOR_INTERVAL; k++)
            drawn[k] = draw_median(&t, r);
        if (t.cells >= FEWEST_FOR_INTERVAL && draws > 0)
            interval_of(drawn, draws, &out->low, &out->high);
    }
    tree_free(&t);
    gsl_rng_free(r);
    free(drawn);
    return st;
}

/* --- rank test --- */

struct ranking {
    size_t n, first; /* units, of these in the first condition */
    double *rank;    /* [n] mid-ranks, first condition first */
    size_t *chosen;  /* [first] a deal */
    double far;      /* distance of the rank sum from its mean */
};

static double rank_sum_off(const struct ranking *k)
{
    double sum = 0;
    for (size_t i = 0; i < k->first; i++)
        sum += k->rank[k->chosen[i]];
    return fabs(sum - (double)k->first * (double)(k->n + 1) / 2);
}

static bool as_far(const struct ranking *k)
{
    return rank_sum_off(k) >= k->far - 1e-9;
}

/* The next set of `first` of `n` in lexical order; false behind the last. */
static bool next_deal(struct ranking *k)
{
    for (size_t i = k->first; i-- > 0;) {
        if (k->chosen[i] == k->n - k->first + i) continue;
        k->chosen[i]++;
        for (size_t j = i + 1; j < k->first; j++)
            k->chosen[j] = k->chosen[j - 1] + 1;
        return true;
    }
    return false;
}

static void begin_deals(struct ranking *k)
{
    for (size_t i = 0; i < k->first; i++)
        k->chosen[i] = i;
}

static double exact_p(struct ranking *k)
{
    double far = 0, all = 0;
    begin_deals(k);
    do {
        far += as_far(k);
        all++;
    } while (next_deal(k));
    return far / all;
}

/* Floyd's way to draw a set: J. Bentley and R. Floyd, Commun. ACM 30 (1987) 754. */
static void chance_deal(struct ranking *k, gsl_rng *r)
{
    for (size_t i = 0; i < k->first; i++) {
        size_t j = k->n - k->first + i, t = gsl_rng_uniform_int(r, j + 1);
        for (size_t m = 0; m < i; m++)
            if (k->chosen[m] == t) {
                t = j;
                break;
            }
        k->chosen[i] = t;
    }
}

static double chance_p(struct ranking *k, gsl_rng *r)
{
    double far = 1;
    for (size_t i = 0; i < DEALS_MOST; i++) {
        chance_deal(k, r);
        far += as_far(k);
    }
    return far / (DEALS_MOST + 1);
}

static void mid_ranks(const double *value, size_t n, double *rank)
{
    for (size_t i = 0; i < n; i++) {
        double below = 0, same = 0;
        for (size_t j = 0; j < n; j++) {
            below += value[j] < value[i];
            same += value[j] == value[i];
        }
        rank[i] = below + (same + 1) / 2;
    }
}

static enum status rank_test(const double *value, size_t first, size_t n, gsl_rng *r,
                             struct nested_difference *out, struct report *rep)
{
    struct ranking k = {.n = n, .first = first};
    if (first == 0 || first == n) return ST_OK;
    k.rank = malloc(n * sizeof *k.rank);
    k.chosen = malloc(first * sizeof *k.chosen);
    if (!k.rank || !k.chosen) {
        free(k.rank);
        free(k.chosen);
        return fail(rep, ST_MEMORY, "not enough memory to rank %zu units", n);
    }
    double deals = n > 170 ? INFINITY : gsl_sf_choose((unsigned)n, (unsigned)first);
    mid_ranks(value, n, k.rank);
    begin_deals(&k);
    k.far = rank_sum_off(&k);
    out->p = deals <= DEALS_MOST ? exact_p(&k) : chance_p(&k, r);
    out->least_p = fmin(1, 2 / fmin(deals, DEALS_MOST + 1));
    free(k.rank);
    free(k.chosen);
    return ST_OK;
}

static double effect_of(double first, double second, bool ratio)
{
    return ratio ? second / first : second - first;
}

/* Units of both, first condition first; room for the cells of both. */
static size_t gather_units(struct tree *t, bool by_samples, double *out)
{
    if (by_samples) {
        nested_median(t); /* leaves the samples' medians, in another order */
        memcpy(out, t->median, t->samples * sizeof *out);
        return t->samples;
    }
    memcpy(out, t->value, t->cells * sizeof *out);
    return t->cells;
}

static enum status compare_trees(struct tree t[2], bool ratio, size_t draws, double *drawn,
                                 gsl_rng *r, struct nested_difference *out, struct report *rep)
{
    double *units = malloc((t[0].cells + t[1].cells + 1) * sizeof *units);
    if (!units) return fail(rep, ST_MEMORY, "not enough memory to compare cells");
    out->effect = effect_of(nested_median(&t[0]), nested_median(&t[1]), ratio);
    if (t[0].cells >= FEWEST_FOR_INTERVAL && t[1].cells >= FEWEST_FOR_INTERVAL && draws > 0) {
        for (size_t k = 0; k < draws; k++) {
            double first = draw_median(&t[0], r);
            drawn[k] = effect_of(first, draw_median(&t[1], r), ratio);
        }
        interval_of(drawn, draws, &out->low, &out->high);
    }
    out->by_samples = t[0].samples >= NESTED_SAMPLES_TO_RANK &&
                      t[1].samples >= NESTED_SAMPLES_TO_RANK;
    out->n[0] = gather_units(&t[0], out->by_samples, units);
    out->n[1] = gather_units(&t[1], out->by_samples, units + out->n[0]);
    enum status st = rank_test(units, out->n[0], out->n[0] + out->n[1], r, out, rep);
    free(units);
    return st;
}

enum status nested_compare(const struct nested_value *cells, size_t n, size_t first, size_t second,
                           bool ratio, size_t draws, unsigned long seed,
                           struct nested_difference *out, struct report *rep)
{
    struct tree t[2] = {{0}, {0}};
    double *drawn = malloc((draws + 1) * sizeof *drawn);
    gsl_rng *r = seeded(seed);
    *out = (struct nested_difference){
        .effect = NAN, .low = NAN, .high = NAN, .p = NAN, .least_p = NAN};
    enum status st = drawn && r ? tree_make(&t[0], cells, n, first, rep)
                                : fail(rep, ST_MEMORY, "not enough memory for a bootstrap");
    if (st == ST_OK) st = tree_make(&t[1], cells, n, second, rep);
    if (st == ST_OK) st = compare_trees(t, ratio, draws, drawn, r, out, rep);
    tree_free(&t[0]);
    tree_free(&t[1]);
    gsl_rng_free(r);
    free(drawn);
    return st;
}

void nested_holm(double *p, size_t m)
{
    size_t known = 0, place = 0;
    double before = 0, last = -1;
    for (size_t i = 0; i < m; i++)
        known += isnan(p[i]) ? 0 : 1;
    double *was = malloc((m + 1) * sizeof *was);
    if (!was) { /* Bonferroni is Holm's upper bound, and needs no room */
        for (size_t i = 0; i < m; i++)
            p[i] = fmin(1, p[i] * (double)known);
        return;
    }
    memcpy(was, p, m * sizeof *was);
    while (place < known) {
        double smallest = INFINITY;
        size_t same = 0;
        for (size_t i = 0; i < m; i++)
            if (was[i] > last && was[i] < smallest) smallest = was[i];
        before = fmax(before, fmin(1, smallest * (double)(known - place)));
        for (size_t i = 0; i < m; i++)
            if (was[i] == smallest) {
                p[i] = before;
                same++;
            }
        place += same;
        last = smallest;
    }
    free(was);
}
