#include "review/summary.h"

#include "review/blocks.h"

#include <gsl/gsl_sort_double.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

/* Even from the smallest to the largest of n values the median lies with probability 1 - 2^(1-n)
 * only: below six that is no 95 %. H.A. David and H.N. Nagaraja, Order Statistics, 2003,
 * section 7.1
 */
enum { PHASE_VALUES = 50, PHASE_DRAWS = 200, FEWEST_FOR_INTERVAL = 6 };

/* Buffers of one summary. */
struct work {
    size_t pixels, n, n_log; /* n_log: positive values; they are the last of the sorted ones */
    size_t *order;           /* [n] pixels by ascending value */
    double *sorted;          /* [n] */
    double *plane;           /* [pixels] ranks, later ln x */
    double *log_sorted;      /* [n_log] */
    size_t *index;           /* [pixels] place among the sorted ones */
    unsigned *count;         /* [n] */
    double *median;          /* [draws] */
};

static void work_free(struct work *w)
{
    free(w->order);
    free(w->sorted);
    free(w->plane);
    free(w->log_sorted);
    free(w->index);
    free(w->count);
    free(w->median);
}

static enum status work_make(struct work *w, const struct summary_plane *p, size_t draws,
                             struct report *rep)
{
    *w = (struct work){.pixels = p->ny * p->nx};
    for (size_t i = 0; i < w->pixels; i++)
        w->n += isnan(p->value[i]) ? 0 : 1;
    w->order = malloc((w->n + 1) * sizeof *w->order);
    w->sorted = malloc((w->n + 1) * sizeof *w->sorted);
    w->log_sorted = malloc((w->n + 1) * sizeof *w->log_sorted);
    w->count = malloc((w->n + 1) * sizeof *w->count);
    w->plane = malloc(w->pixels * sizeof *w->plane);
    w->index = malloc(w->pixels * sizeof *w->index);
    w->median = malloc((draws + 1) * sizeof *w->median);
    return w->order && w->sorted && w->log_sorted && w->count && w->plane && w->index && w->median
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory to sum up %zu pixels", w->pixels);
}

/* Equal values keep the order of their pixels, so that draws are the same everywhere. */
static int by_value(const void *a, const void *b, void *values)
{
    const double *value = values;
    size_t i = *(const size_t *)a, j = *(const size_t *)b;
    if (value[i] < value[j]) return -1;
    if (value[i] > value[j]) return 1;
    return i < j ? -1 : i > j;
}

static void sort(struct work *w, const double *value)
{
    size_t k = 0;
    for (size_t i = 0; i < w->pixels; i++)
        if (!isnan(value[i])) w->order[k++] = i;
    qsort_r(w->order, w->n, sizeof *w->order, by_value, (void *)value);
    for (size_t i = 0; i < w->pixels; i++) {
        w->index[i] = (size_t)-1;
        w->plane[i] = NAN;
    }
    for (k = 0; k < w->n; k++) {
        w->sorted[k] = value[w->order[k]];
        w->index[w->order[k]] = k;
        w->plane[w->order[k]] = (double)k;
        if (w->sorted[k] > 0) w->log_sorted[w->n_log++] = log(w->sorted[k]);
    }
}

void summary_logarithms(const double *value, size_t n, double *out)
{
    for (size_t i = 0; i < n; i++)
        out[i] = value[i] > 0 ? log(value[i]) : NAN;
}

static void close_median(struct work *w, size_t n, struct summary *out)
{
    gsl_sort(w->median, 1, n);
    out->draws = n;
    if (w->n < FEWEST_FOR_INTERVAL) return;
    out->median_se = n > 1 ? gsl_stats_sd(w->median, 1, n) * sqrt(out->correlation.lost) : NAN;
    out->level = blocks_level(&out->correlation, w->n, SUMMARY_COVERAGE);
    out->low = robust_quantile(w->median, n, out->level);
    out->high = robust_quantile(w->median, n, 1 - out->level);
}

/* Draws for the median, some of them for the phases too. */
static enum status draw(struct work *w, const struct summary_plane *plane,
                        const struct summary_wish *wish, struct phase_draws *phases,
                        struct progress *p, struct summary *out, struct report *rep)
{
    struct blocks *blocks;
    enum status st = blocks_make(&blocks, plane->ny, plane->nx, out->correlation.block_y,
                                 out->correlation.block_x, w->index, w->n, wish->seed, rep);
    for (size_t i = 0; i < wish->draws && st == ST_OK; i++) {
        size_t total = blocks_draw(blocks, w->count);
        w->median[i] = robust_median_counted(w->sorted, w->count, w->n, total);
        if (phases && i < PHASE_DRAWS) phase_draws_add(phases, w->count + out->not_positive);
        progress_show(p, i + 1);
    }
    blocks_free(&blocks);
    if (st == ST_OK) close_median(w, wish->draws, out);
    return st;
}

static enum status phases_and_draws(struct work *w, const struct summary_plane *plane,
                                    const struct summary_wish *wish, struct progress *p,
                                    struct summary *out, struct report *rep)
{
    const struct phase_data d = {plane->ny, plane->nx,     w->n_log,
                                 w->plane,  w->log_sorted, plane->area};
    struct phase_draws *draws = NULL;
    enum status st = ST_OK;
    out->has_phases = wish->phases && w->n_log >= PHASE_VALUES && out->lognormal.there;
    summary_logarithms(plane->value, w->pixels, w->plane);
    if (out->has_phases) {
        struct progress fits;
        progress_begin(&fits, p->out, "mixtures fitted", MIXTURE_MOST);
        st = phases_find(&d, MIXTURE_MOST, wish->phases_asked, &fits, &out->phases, rep);
        progress_end(&fits);
        progress_begin(p, p->out, p->what, p->total); /* its rate is that of the draws alone */
    }
    if (st == ST_OK && out->has_phases && wish->draws)
        st = phase_draws_make(&draws, &d, &out->phases, rep);
    if (st == ST_OK && wish->draws) st = draw(w, plane, wish, draws, p, out, rep);
    if (st == ST_OK && draws) phase_draws_close(draws, sqrt(out->correlation.lost), &out->phases);
    phase_draws_free(&draws);
    return st;
}

enum status summary_make(const struct summary_plane *plane, const struct summary_wish *wish,
                         struct progress *p, struct summary *out, struct report *rep)
{
    struct work w;
    *out = (struct summary){.median_se = NAN, .low = NAN, .high = NAN, .level = NAN};
    enum status st = work_make(&w, plane, wish->draws, rep);
    if (st == ST_OK) {
        sort(&w, plane->value);
        out->not_positive = w.n - w.n_log;
        st = robust_make(w.sorted, w.n, &out->robust, rep);
    }
    if (st == ST_OK)
        st = correlation_find(plane->ny, plane->nx, w.plane, wish->block, &out->correlation, rep);
    if (st == ST_OK) {
        double share = w.n ? (double)w.n_log / (double)w.n : 0;
        lognormal_fit(w.log_sorted, w.n_log, fmax(1, share * out->correlation.n_effective),
                      &out->lognormal);
    }
    if (st == ST_OK && w.n > 0) st = phases_and_draws(&w, plane, wish, p, out, rep);
    work_free(&w);
    return st;
}
