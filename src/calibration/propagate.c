#include "calibration/propagate.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static bool is_drawn(const struct unsure *in)
{
    return isfinite(in->value) && in->u > 0;
}

/* The input z standard uncertainties away from its value. */
static double moved(const struct unsure *in, double z)
{
    if (!is_drawn(in)) return in->value;
    return in->positive ? in->value * exp(z * in->u / in->value) : in->value + z * in->u;
}

static double correlation_of(const struct propagate_job *job, size_t i, size_t j)
{
    if (i == j) return 1;
    return job->correlation ? job->correlation[i][j] : 0;
}

/* --- the linear law --- */

/* Central differences over a tenth of u to either side: the slope where the values are. */
static void find_parts(const struct propagate_job *job, const double *at, struct propagated *out)
{
    const double step = 0.1;
    double x[PROPAGATE_INPUTS], low[PROPAGATE_RESULTS], high[PROPAGATE_RESULTS];
    memcpy(x, at, sizeof x);
    for (size_t i = 0; i < job->inputs; i++) {
        struct unsure in = job->input[i];
        bool unknown = isfinite(in.value) && isnan(in.u);
        if (unknown) in.u = 1e-3 * fabs(in.value); /* only to see whether it matters */
        x[i] = moved(&in, -step);
        job->model(x, low, job->context);
        x[i] = moved(&in, step);
        job->model(x, high, job->context);
        x[i] = at[i];
        for (size_t r = 0; r < job->results; r++) {
            double part = out[r].there ? (high[r] - low[r]) / (2 * step) : 0;
            if (unknown && fabs(part) > 1e-9 * fabs(out[r].value)) out[r].unstated = true;
            out[r].part[i] = unknown || !isfinite(part) ? 0 : part;
        }
    }
}

static void combine(const struct propagate_job *job, struct propagated *r)
{
    double var = 0;
    for (size_t i = 0; i < job->inputs; i++) {
        r->correlation[i] = 0;
        for (size_t j = 0; j < job->inputs; j++)
            r->correlation[i] += r->part[j] * correlation_of(job, i, j);
        var += r->part[i] * r->correlation[i];
    }
    r->linear = sqrt(fmax(var, 0));
    for (size_t i = 0; i < job->inputs; i++)
        r->correlation[i] = r->linear > 0 ? r->correlation[i] / r->linear : 0;
}

/* --- Monte Carlo --- */

/* Lower triangle of the inputs' correlation; rows that have lost their rank by rounding get zero.
 */
static void cholesky(const struct propagate_job *job, double l[][PROPAGATE_INPUTS])
{
    for (size_t i = 0; i < job->inputs; i++)
        for (size_t j = 0; j <= i; j++) {
            double sum = correlation_of(job, i, j);
            for (size_t k = 0; k < j; k++)
                sum -= l[i][k] * l[j][k];
            if (i == j)
                l[i][j] = sqrt(fmax(sum, 0));
            else
                l[i][j] = l[j][j] > 0 ? sum / l[j][j] : 0;
        }
}

static void draw(const struct propagate_job *job, double *y)
{
    double l[PROPAGATE_INPUTS][PROPAGATE_INPUTS] = {{0}}, z[PROPAGATE_INPUTS], x[PROPAGATE_INPUTS];
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (!rng) return; /* GSL's handler has ended the program before */
    gsl_rng_set(rng, job->seed);
    cholesky(job, l);
    for (size_t d = 0; d < job->draws; d++) {
        for (size_t i = 0; i < job->inputs; i++)
            z[i] = gsl_ran_gaussian(rng, 1);
        for (size_t i = 0; i < job->inputs; i++) {
            double sum = 0;
            for (size_t j = 0; j <= i; j++)
                sum += l[i][j] * z[j];
            x[i] = moved(&job->input[i], sum);
        }
        job->model(x, y + d * job->results, job->context);
    }
    gsl_rng_free(rng);
}

/* @param column  [draws] */
static void close_one(const struct propagate_job *job, const double *y, size_t r, double *column,
                      struct propagated *out)
{
    size_t n = 0;
    for (size_t d = 0; d < job->draws; d++)
        if (isfinite(y[d * job->results + r])) column[n++] = y[d * job->results + r];
    if (n < 2) return;
    gsl_sort(column, 1, n);
    out->mean = gsl_stats_mean(column, 1, n);
    out->u = gsl_stats_sd_m(column, 1, n, out->mean);
    out->low = gsl_stats_quantile_from_sorted_data(column, 1, n, 0.025);
    out->high = gsl_stats_quantile_from_sorted_data(column, 1, n, 0.975);
    out->differs = fabs(out->u - out->linear) > 0.1 * out->linear || 20 * n < 19 * job->draws;
}

static double ln_covariance(const struct propagate_job *job, const double *y, size_t a, size_t b)
{
    double n = 0, ma = 0, mb = 0, c = 0;
    for (size_t d = 0; d < job->draws; d++) {
        double u = log(y[d * job->results + a]), v = log(y[d * job->results + b]);
        if (!isfinite(u) || !isfinite(v)) continue;
        n += 1;
        double du = u - ma;
        ma += du / n;
        mb += (v - mb) / n;
        c += du * (v - mb);
    }
    return n > 1 ? c / (n - 1) : NAN;
}

enum status propagate(const struct propagate_job *job, struct propagated *out,
                      double (*covariance)[PROPAGATE_RESULTS], struct report *rep)
{
    double x[PROPAGATE_INPUTS] = {0}, value[PROPAGATE_RESULTS];
    double *y = malloc((job->results + 1) * job->draws * sizeof *y);
    if (!y) return fail(rep, ST_MEMORY, "not enough memory for %zu draws", job->draws);
    for (size_t i = 0; i < job->inputs; i++)
        x[i] = job->input[i].value;
    job->model(x, value, job->context);
    for (size_t r = 0; r < job->results; r++)
        out[r] = (struct propagated){.there = isfinite(value[r]),
                                     .value = value[r],
                                     .u = NAN,
                                     .mean = NAN,
                                     .low = NAN,
                                     .high = NAN};
    find_parts(job, x, out);
    draw(job, y);
    for (size_t r = 0; r < job->results; r++) {
        if (!out[r].there) continue;
        combine(job, &out[r]);
        close_one(job, y, r, y + job->results * job->draws, &out[r]);
    }
    for (size_t a = 0; a < job->results && covariance; a++)
        for (size_t b = 0; b < job->results; b++)
            covariance[a][b] = out[a].there && out[b].there ? ln_covariance(job, y, a, b) : NAN;
    free(y);
    return ST_OK;
}
