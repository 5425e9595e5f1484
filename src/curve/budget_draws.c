/* The Monte Carlo part of the budget, JCGM 101:2008. */
#include "curve/budget.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

static double draw_one(const struct budget_input *in, gsl_rng *rng)
{
    enum { PATIENCE = 1000 };
    const struct lever_row *row = &lever_rows[in->item];
    double x = in->value;
    for (int i = 0; i < PATIENCE; i++) {
        x = in->value + gsl_ran_gaussian(rng, in->u);
        if (x >= row->low && x <= row->high) return x;
    }
    return fmin(fmax(x, row->low), row->high);
}

static void draw_all(const struct budget *b, gsl_rng *rng, double x[LEVER_COUNT])
{
    for (size_t i = 0; i < b->n; i++) {
        const struct budget_input *in = &b->input[i];
        x[i] = isnan(in->value) ? 1.0 : in->value;
        if (isfinite(in->value) && in->u > 0) x[i] = draw_one(in, rng);
    }
}

enum status budget_draw(const struct budget_job *job, const struct budget *b, size_t first,
                        size_t step, double (*ratio)[BUDGET_COUNT], struct report *rep)
{
    double x[LEVER_COUNT];
    enum status st = ST_OK;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (!rng) return fail(rep, ST_MEMORY, "not enough memory for the uncertainty budget");
    gsl_rng_set(rng, b->seed);
    for (size_t i = 0, next = first; i < b->draws && st == ST_OK; i++) {
        draw_all(b, rng, x); /* also those of others: the sequence is one */
        if (i != next) continue;
        st = budget_at(job, b, x, ratio[i], rep);
        next += step;
        if (job->progress) progress_show(job->progress, i + 1);
    }
    gsl_rng_free(rng);
    return st;
}

/* @param column  [draws] scratch */
static void close_one(struct budget *b, int q, const double (*ratio)[BUDGET_COUNT], double *column)
{
    struct budget_result *r = &b->result[q];
    size_t n = 0;
    for (size_t i = 0; i < b->draws; i++)
        if (isfinite(ratio[i][q])) column[n++] = ratio[i][q];
    r->draws = n;
    r->differs = 20 * n < 19 * b->draws;
    if (n < 2) return;
    gsl_sort(column, 1, n);
    r->mean = gsl_stats_mean(column, 1, n);
    r->spread = gsl_stats_sd_m(column, 1, n, r->mean);
    r->low = gsl_stats_quantile_from_sorted_data(column, 1, n, 0.025);
    r->high = gsl_stats_quantile_from_sorted_data(column, 1, n, 0.975);
    if (fabs(r->spread - r->combined) > 0.1 * r->combined) r->differs = true;
}

enum status budget_close(struct budget *b, double (*ratio)[BUDGET_COUNT], struct report *rep)
{
    if (b->draws == 0) return ST_OK;
    double *column = malloc(b->draws * sizeof *column);
    if (!column) return fail(rep, ST_MEMORY, "not enough memory for %zu draws", b->draws);
    for (int q = 0; q < BUDGET_COUNT; q++)
        if (b->result[q].there) close_one(b, q, (const double(*)[BUDGET_COUNT])ratio, column);
    free(column);
    return ST_OK;
}

enum status budget_make(const struct budget_job *job, struct budget *out, struct report *rep)
{
    enum status st = budget_linear(job, out, rep);
    if (st != ST_OK || out->draws == 0) return st;
    double(*ratio)[BUDGET_COUNT] = malloc(out->draws * sizeof *ratio);
    if (!ratio) return fail(rep, ST_MEMORY, "not enough memory for %zu draws", out->draws);
    st = budget_draw(job, out, 0, 1, ratio, rep);
    if (st == ST_OK) st = budget_close(out, ratio, rep);
    free(ratio);
    return st;
}
