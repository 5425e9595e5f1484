/* Noise with a memory in a fit to a segment: what it is, and the fit that reckons with it. */
#include "curve/fit_private.h"
#include "curve/passes.h"

#include <math.h>
#include <string.h>

/* The noise alone: what the baseline found beforehand leaves of the off-surface samples (a misfit
 * in contact bends the joint one), or all residuals of the fit where these are few.
 * @return samples in w->model_values */
static size_t noise_samples(const struct curve_work *w, const struct lane *lane,
                            const struct fit_set *set)
{
    enum { ENOUGH = 100 };
    size_t n = lane->quiet_end < set->early ? lane->quiet_end : set->early;
    if (lane->quiet_end > set->early + set->skipped) n = lane->quiet_end - set->skipped;
    if (n > set->n) n = set->n;
    if (n < ENOUGH) return set->n;
    memcpy(w->model_values, set->y, n * sizeof *set->y);
    return n;
}

/* Residuals of a fit, not whitened, into w->model_values; their sum of squares. */
static double plain_residuals(const struct fit_problem *p, struct curve_work *w,
                              const struct fit_result *r)
{
    double *rest = w->model_values;
    fit_values(p, w->fit, r, rest);
    for (size_t i = 0; i < p->n; i++)
        rest[i] = p->y[i] - rest[i];
    return pass_squares(rest, 0, p->n);
}

double fit_noise_inflate(const double *rest, size_t n, struct fit_result *r)
{
    double c[NOISE_LAGS + 1], factor = 1.0;
    noise_autocovariance(rest, n, NOISE_LAGS, c);
    for (int l = 1; l <= NOISE_LAGS && c[l] > 0; l++)
        factor += 2.0 * c[l] / c[0];
    for (int a = 0; a < FIT_MAX_ALL; a++)
        for (int b = 0; b < FIT_MAX_ALL; b++)
            r->covariance[a][b] *= factor;
    return factor;
}

/* What noise of uncertain size does to a standard uncertainty: the results follow Student's
 * distribution, whose variance is larger by nu/(nu - 2) (JCGM 101:2008, 6.4.9.4). */
static void widen(double freedom, struct fit_result *r)
{
    const double fewest = 4.0;
    double nu = fmax(freedom, fewest), factor = isinf(nu) ? 1.0 : nu / (nu - 2.0);
    for (int a = 0; a < FIT_MAX_ALL; a++)
        for (int b = 0; b < FIT_MAX_ALL; b++)
            r->covariance[a][b] *= factor;
}

/* Slow noise known from the off-surface samples, in the cosines over a longer set of n. */
void fit_noise_use(struct noise *noise, size_t n, struct fit_problem *p)
{
    p->ar_order = noise->order;
    p->ar = noise->phi;
    p->slow_n = noise->slow_ratio > 0 ? FIT_MAX_SLOW : 0;
    p->slow_power = noise->slow;
    for (size_t k = 0; k < p->slow_n; k++) {
        double index = (double)(k + 1) * (double)noise->samples / (double)n;
        noise->slow[k] = noise->slow_ratio / (noise->slow_slope == 2 ? index * index : index);
    }
}

void fit_noise_find(const struct curve_plan *plan, bool coloured, bool known_white,
                    struct curve_work *w, const struct lane *lane, const struct fit_set *set,
                    const struct fit_problem *p, const struct fit_result *r, struct noise *noise)
{
    double variance = r->sum_squares / (double)r->degrees_of_freedom, *rest = w->model_values;
    *noise = (struct noise){.gamma = {variance}};
    if (!coloured || !(sqrt(variance) > 1e-6 * fabs(set->y[p->n - 1]))) return;
    size_t n = noise_samples(w, lane, set);
    if (known_white && n < set->n) return;
    if (n == set->n) plain_residuals(p, w, r);
    noise->samples = n;
    double c[NOISE_LAGS + 1];
    noise_autocovariance(rest, n, NOISE_LAGS, c);
    memcpy(noise->gamma, c, sizeof noise->gamma);
    bool known = plan->drift_m > 0;
    noise->slow_slope = 2;
    noise->slow_ratio = known ? noise_walk_ratio(rest, n, plan->drift_m, NULL, 0)
                              : noise_slow(rest, n, &noise->slow_slope);
    /* what is left of the noise when its slow part is shrunk */
    if (noise->slow_ratio > 0) {
        noise_shrink_slow(rest, n, noise->slow_ratio, noise->slow_slope, FIT_MAX_SLOW * n / set->n);
        noise_autocovariance(rest, n, NOISE_LAGS, c);
    }
    if (!noise_is_white(c, n)) noise->order = noise_fit(rest, n, noise->phi, w->scratch);
    if (noise->order == 0 && !(noise->slow_ratio > 0)) *noise = (struct noise){.gamma = {variance}};
    if (known && noise->order)
        noise->slow_ratio = noise_walk_ratio(rest, n, plan->drift_m, noise->phi, noise->order);
    noise->freedom = noise_freedom(n, noise->order, known ? 0 : noise->slow_ratio,
                                   noise->slow_slope);
}

double fit_noise_refine(bool smooth, struct curve_work *w, const struct lane *lane,
                        const struct fit_set *set, struct fit_problem *p, struct fit_result *r,
                        struct noise *noise)
{
    struct fit_result found;
    double white = r->sum_squares;
    if (noise->order == 0 && !(noise->slow_ratio > 0)) return 1.0;
    fit_noise_use(noise, set->n, p);
    bool ok = fit_prepare(p, w->fit);
    p->close = smooth, p->settle = smooth ? SETTLED : 0;
    if (ok) fit_search(p, w->fit, r->theta, &found);
    p->close = false, p->settle = 0;
    if (ok) fit_finish(p, w->fit, &found);
    /* a filter that trades much of the plain fit away has seen something else than noise */
    if (ok && !found.singular && plain_residuals(p, w, &found) < 4.0 * white) {
        *r = found;
        widen(noise->freedom, r);
        return 1.0;
    }
    noise->order = 0, noise->slow_ratio = 0;
    fit_noise_use(noise, set->n, p);
    if (!fit_prepare(p, w->fit)) return 1.0;
    fit_finish(p, w->fit, r);
    plain_residuals(p, w, r);
    return fit_noise_inflate(w->model_values, noise_samples(w, lane, set), r);
}
