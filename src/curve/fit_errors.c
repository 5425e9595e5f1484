/* What the fit's covariance and residuals say of its results. */
#include "curve/fit_private.h"
#include "curve/passes.h"

#include <math.h>
#include <stdlib.h>

/* Each result is g.p + a S of the unknowns p and the turning point's weighted samples S. */
struct gradients {
    double g[COV_SIZE][FIT_MAX_ALL], a[COV_SIZE];
};

static void fill_gradients(const struct curve_plan *plan, const struct fit_problem *p,
                           const struct fit_set *set, const struct lane *lane, double pull_m,
                           struct gradients *out)
{
    const struct contact_model *m = plan->model;
    size_t next = 1, linear = p->n_theta, n = p->n_theta + p->n_linear;
    *out = (struct gradients){.a = {[COV_DEPTH] = -1, [COV_PEAK] = 1}};
    double(*g)[FIT_MAX_ALL] = out->g;
    g[COV_CONTACT_POINT][0] = 1.0;
    if (m->free_length)
        g[COV_LN_MODULUS][next] = m->modulus_power[0], g[COV_LN_WORK][next++] = m->work_power[0];
    if (m->free_kappa)
        g[COV_LN_MODULUS][next] = m->modulus_power[1], g[COV_LN_WORK][next++] = m->work_power[1];
    if (plan->free_extra) g[COV_EXTRA][next] = 1.0;
    if (m->pull) {
        g[COV_LN_WORK][n - 1] = 1.0 / pull_m;
        if (!plan->force_space) g[COV_CONTACT_POINT][n - 1] = 1.0;
    }
    g[COV_PEAK][linear] = -1.0;
    if (plan->baseline_order) g[COV_PEAK][linear + 1] = -(lane->peak_z - set->z[0]) / set->z_scale;
    for (size_t i = 0; i < n; i++) /* depth = z - Z0 - peak */
        g[COV_DEPTH][i] = -g[COV_CONTACT_POINT][i] - g[COV_PEAK][i];
}

void fit_propagate(const struct curve_plan *plan, const struct fit_problem *p,
                   const struct fit_result *r, const struct fit_set *set, struct curve_work *w,
                   const struct lane *lane, double pull_m, const double gamma[PEAK_SAMPLES],
                   struct contact_fit *out)
{
    struct gradients q;
    double with[FIT_MAX_ALL], squares = 0;
    size_t n = p->n_theta + p->n_linear, m = 0;
    fill_gradients(plan, p, set, lane, pull_m, &q);
    fit_end_gradient(plan, set, r, q.g[COV_LN_WORK]);
    /* those of the turning point's samples that are in the fit are its last ones */
    while (m < PEAK_SAMPLES && m < set->n &&
           fit_set_sample(set, set->n - 1 - m) + PEAK_SAMPLES >= lane->n)
        m++;
    fit_covariance_with(p, w->fit, r, set->n - m, m, lane->peak_weight + PEAK_SAMPLES - m, with);
    for (int i = 0; i < PEAK_SAMPLES; i++)
        for (int j = 0; j < PEAK_SAMPLES; j++)
            squares += lane->peak_weight[i] * lane->peak_weight[j] * gamma[abs(i - j)];
    for (int a = 0; a < COV_SIZE; a++) {
        double seen[FIT_MAX_ALL], share = 0; /* covariance of result a with the unknowns */
        for (size_t j = 0; j < n; j++) {
            seen[j] = q.a[a] * with[j];
            for (size_t i = 0; i < n; i++)
                seen[j] += q.g[a][i] * r->covariance[i][j];
            share += q.g[a][j] * with[j];
        }
        for (int b = 0; b <= a; b++) {
            double sum = q.a[b] * (q.a[a] * squares + share);
            for (size_t j = 0; j < n; j++)
                sum += seen[j] * q.g[b][j];
            out->cov[a][b] = out->cov[b][a] = sum;
        }
    }
    out->cov[COV_LN_WORK][COV_LN_WORK] += fit_end_variance(plan, set, r);
}

/* Runs of equal sign: standard score of their number (A. Wald, J. Wolfowitz, Ann. Math. Stat. 11
 * (1940) 147). Few runs: the model bends another way than the data. */
static double runs_score(const double *r, size_t from, size_t to)
{
    double n = (double)(to - from);
    size_t above = 0, changes = 0;
    if (n < 16) return NAN;
    pass_signs(r + from, to - from, &above, &changes);
    double plus = (double)above, runs = 1.0 + (double)changes;
    double product = 2.0 * plus * (n - plus), mean = product / n + 1.0;
    double var = product * (product - n) / (n * n * (n - 1.0));
    return var > 0 ? (runs - mean) / sqrt(var) : NAN;
}

static double mean_square(const double *r, size_t from, size_t to)
{
    return to > from ? pass_squares(r, from, to) / (double)(to - from) : NAN;
}

static size_t first_touched(const struct curve_plan *plan, const struct fit_set *set,
                            const struct fit_result *r)
{
    const double *position = plan->force_space ? set->indent : set->z;
    return set->contact ? set->contact : pass_first_above(position, 0, set->n, r->theta[0]);
}

bool fit_at_bound(const struct curve_plan *plan, const struct fit_problem *p,
                  const struct fit_set *set, const struct fit_result *r)
{
    /* a contact of a handful of samples can be fitted by anything */
    if (set->n - first_touched(plan, set, r) < 5) return true;
    if (r->theta[0] <= set->z[1] || r->theta[0] >= p->high[0]) return true;
    for (size_t k = 1; k < p->n_theta; k++)
        if (r->theta[k] <= p->low[k] || r->theta[k] >= p->high[k]) return true;
    return false;
}

double fit_modulus_variance(const struct curve_plan *plan, const struct fit_result *r)
{
    const struct contact_model *m = plan->model;
    double g[2] = {m->modulus_power[0], m->modulus_power[1]}, sum = 0;
    size_t at[2] = {1, 1 + m->free_length};
    bool free[2] = {m->free_length, m->free_kappa};
    for (int i = 0; i < 2; i++)
        for (int j = 0; j < 2; j++)
            if (free[i] && free[j]) sum += g[i] * g[j] * r->covariance[at[i]][at[j]];
    return sum;
}

/* Residuals that no filter has seen. */
static const double *plain_residuals(const struct fit_problem *p, struct curve_work *w,
                                     const struct fit_set *set, const struct fit_result *r)
{
    if (!p->ar_order && !p->slow_n) return fit_residuals(w->fit);
    fit_values(p, w->fit, r, w->model_values);
    for (size_t i = 0; i < set->n; i++)
        w->reduced[i] = set->y[i] - w->model_values[i];
    return w->reduced;
}

void fit_describe(const struct curve_plan *plan, const struct fit_problem *p, struct curve_work *w,
                  const struct lane *lane, const struct fit_set *set, const struct fit_result *r,
                  struct contact_fit *out)
{
    const double *white = fit_residuals(w->fit);
    size_t first = first_touched(plan, set, r), skip = p->ar_order;
    size_t n = set->n - first;
    /* whitened residuals; the filter's first samples are empty */
    size_t begin = set->gap && set->gap >= first ? set->gap + skip : first;
    out->runs = out->chi_square = NAN;
    if (begin < set->n && first > skip + 8) {
        /* a misfit bends the baseline too: white noise is known better from the off-surface fit */
        double noise = skip ? mean_square(white, skip, first) : lane->noise * lane->noise;
        out->chi_square = mean_square(white, begin, set->n) / noise;
        out->runs = runs_score(white, begin, set->n);
    }
    out->residual_m = sqrt(mean_square(plain_residuals(p, w, set, r), first, set->n));
    /* rounding has a structure of its own */
    if (!(out->residual_m > 1e-6 * fabs(set->y[set->n - 1]))) out->runs = out->chi_square = NAN;
    out->used = set->n;
    out->deepest = set->end_z - set->end_d - r->theta[0];
    out->in_contact = n;
    out->at_bound = fit_at_bound(plan, p, set, r);
}
