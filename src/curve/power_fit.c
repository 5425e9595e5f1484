#include "curve/power_fit.h"

#include "curve/passes.h"

#include <math.h>
#include <string.h>

static const double least_exponent = 0.8; /* below one nothing is elastic; noise may go there */

/* --- samples --- */

struct power_window power_window_choose(const struct lane *lane, size_t early, size_t contact,
                                        double from, double to)
{
    struct power_window out = {early, contact, lane->n};
    for (size_t i = lane->n; from > 0 && i-- > contact;)
        if (mean_of_three(lane, i) < from * lane->peak_d) {
            out.from = i + 1;
            break;
        }
    for (size_t i = out.from; to < 1 && i < lane->n; i++)
        if (mean_of_three(lane, i) > to * lane->peak_d) {
            out.to = i;
            break;
        }
    return out;
}

static void choose_set(struct curve_work *w, const struct lane *lane, struct power_window s,
                       struct fit_set *set)
{
    size_t many = s.to - s.from;
    *set = (struct fit_set){.z = w->fz, .y = w->fy, .indent = w->indent};
    memcpy(set->z, lane->z, s.early * sizeof *set->z);
    memcpy(set->y, lane->flat, s.early * sizeof *set->y);
    memcpy(set->z + s.early, lane->z + s.from, many * sizeof *set->z);
    memcpy(set->y + s.early, lane->flat + s.from, many * sizeof *set->y);
    set->n = s.early + many;
    set->early = set->contact = s.early;
    set->skipped = s.from - s.early;
    set->gap = set->skipped ? s.early : 0;
    set->z_scale = lane->peak_z - lane->z[0];
    set->end_z = lane->peak_z;
    set->end_d = lane->peak_d;
}

/* --- the model --- */

struct power_context {
    const struct fit_set *set;
    double reference_m;
};

/* t of x = d_ref t^m + a t by Newton's method from a guess. The right side bends upwards for m > 1,
 * so the second step at the latest comes down on the root from above. */
static double share_at(double x, double d_ref, double a, double m, double guess)
{
    double t = guess;
    for (int i = 0; i < 60; i++) {
        double power = pow(t, m - 1.0), value = t * (d_ref * power + a) - x;
        double next = t - value / (d_ref * m * power + a);
        if (!(next > 0)) next = 0.5 * t;
        if (fabs(next - t) <= 1e-15 * next) return next;
        t = next;
    }
    return t;
}

/* Above the root, so that Newton's steps come down on it. */
static double above(double x, double d_ref, double a, double m)
{
    return fmin(x / a, pow(x / d_ref, 1.0 / m));
}

double power_fit_share(double x, double reference_m, double span_m, double exponent)
{
    return share_at(x, reference_m, span_m, exponent, above(x, reference_m, span_m, exponent));
}

static void power_columns(const double *theta, struct fit_columns *out, void *context)
{
    const struct power_context *c = context;
    const struct fit_set *set = c->set;
    double d_ref = c->reference_m, a = theta[POWER_SPAN], m = theta[POWER_EXPONENT], guess = 0;
    out->first = set->contact;
    for (size_t i = set->contact; i < set->n; i++) {
        double x = set->z[i] - theta[POWER_ZERO];
        out->f[i] = out->jacobian[0][i] = out->jacobian[1][i] = out->jacobian[2][i] = 0;
        if (!(x > 0)) continue;
        /* the sample before lies little below */
        double t = share_at(x, d_ref, a, m, guess > 0 ? guess : above(x, d_ref, a, m));
        double power = pow(t, m - 1.0), steep = d_ref * m * power;
        guess = t;
        out->f[i] = d_ref * power * t;
        out->jacobian[POWER_ZERO][i] = -steep / (steep + a);
        out->jacobian[POWER_SPAN][i] = -steep * t / (steep + a);
        out->jacobian[POWER_EXPONENT][i] = out->f[i] * log(t) * a / (steep + a);
    }
}

/* --- start: for a few exponents h is linear in d^(1/m) --- */

static double line_of(const struct fit_set *set, double d_ref, double m, double *zero, double *span)
{
    double n = 0, sx = 0, sy = 0, sxx = 0, sxy = 0, syy = 0, h0 = set->end_z - set->end_d;
    for (size_t i = set->contact; i < set->n; i++) {
        double share = set->y[i] / d_ref;
        if (!(share > 0.1)) continue; /* the root of noise is no number */
        double x = pow(share, 1.0 / m), y = set->z[i] - set->y[i] - h0;
        n += 1, sx += x, sy += y, sxx += x * x, sxy += x * y, syy += y * y;
    }
    if (n < 3) return INFINITY;
    sxx -= sx * sx / n, sxy -= sx * sy / n, syy -= sy * sy / n;
    *span = sxy / sxx;
    *zero = h0 + (sy - *span * sx) / n;
    return sxx > 0 ? syy - *span * sxy : INFINITY;
}

static bool start_values(const struct fit_set *set, double d_ref, double theta[3])
{
    static const double exponents[] = {1.05, 1.25, 1.5, 2.0, 2.5, 3.0};
    double least = INFINITY, zero = NAN, span = NAN;
    for (size_t i = 0; i < sizeof exponents / sizeof *exponents; i++) {
        double rest = line_of(set, d_ref, exponents[i], &zero, &span);
        if (!(rest < least) || !(span > 0)) continue;
        least = rest;
        theta[POWER_ZERO] = zero, theta[POWER_SPAN] = span, theta[POWER_EXPONENT] = exponents[i];
    }
    return isfinite(least);
}

/* --- the fit --- */

static void make_problem(const struct curve_plan *plan, struct curve_work *w,
                         const struct fit_set *set, double d_ref, double most_exponent,
                         struct power_context *context, struct fit_problem *p)
{
    *context = (struct power_context){set, d_ref};
    *p = (struct fit_problem){.n = set->n,
                              .y = set->y,
                              .gap = set->gap,
                              .n_theta = 3,
                              .model = power_columns,
                              .context = context};
    for (size_t i = 0; i < set->n; i++) {
        w->ones[i] = 1.0;
        w->ramp[i] = (set->z[i] - set->z[0]) / set->z_scale;
    }
    p->linear[p->n_linear++] = w->ones;
    if (plan->baseline_order) p->linear[p->n_linear++] = w->ramp;
    p->low[POWER_ZERO] = set->z[0], p->high[POWER_ZERO] = set->end_z;
    p->low[POWER_SPAN] = 1e-6 * d_ref, p->high[POWER_SPAN] = 10.0 * set->z_scale;
    p->low[POWER_EXPONENT] = least_exponent, p->high[POWER_EXPONENT] = most_exponent;
    p->scale[POWER_ZERO] = p->scale[POWER_SPAN] = set->z_scale;
    p->scale[POWER_EXPONENT] = 1.0;
}

static bool inside(const struct fit_problem *p, const struct fit_result *r)
{
    for (size_t k = 0; k < p->n_theta; k++)
        if (!(r->theta[k] > p->low[k]) || !(r->theta[k] < p->high[k])) return false;
    return true;
}

static double window_residual(const struct fit_problem *p, const struct fit_result *r,
                              const struct fit_set *set, struct curve_work *w)
{
    double *rest = w->model_values;
    fit_values(p, w->fit, r, rest);
    for (size_t i = set->contact; i < set->n; i++)
        rest[i] = set->y[i] - rest[i];
    return sqrt(pass_squares(rest, set->contact, set->n) / (double)(set->n - set->contact));
}

void power_fit_run(const struct curve_plan *plan, struct curve_work *w, const struct lane *lane,
                   struct power_window window, double most_exponent, struct power_fit *out)
{
    struct fit_set set;
    struct power_context context;
    struct fit_problem p;
    struct fit_result r;
    struct noise noise;
    double start[3], d_ref = lane->peak_d;
    *out = (struct power_fit){.reference_m = d_ref};
    if (window.early < POWER_FEWEST || window.to < window.from + POWER_FEWEST || !(d_ref > 0))
        return;
    choose_set(w, lane, window, &set);
    out->used = window.to - window.from;
    if (!start_values(&set, d_ref, start)) return;
    make_problem(plan, w, &set, d_ref, most_exponent, &context, &p);
    if (!fit_prepare(&p, w->fit)) return;
    fit_search(&p, w->fit, start, &r);
    fit_finish(&p, w->fit, &r);
    if (!r.converged || r.singular || !inside(&p, &r)) return;
    fit_noise_find(plan, plan->coloured_noise, false, w, lane, &set, &p, &r, &noise);
    (void)fit_noise_refine(true, w, lane, &set, &p, &r, &noise);
    if (r.singular || !inside(&p, &r)) return;
    out->zero_m = r.theta[POWER_ZERO];
    out->span_m = r.theta[POWER_SPAN];
    out->exponent = r.theta[POWER_EXPONENT];
    for (int i = 0; i < POWER_SIZE; i++)
        for (int j = 0; j < POWER_SIZE; j++)
            out->cov[i][j] = r.covariance[i][j];
    out->residual_m = window_residual(&p, &r, &set, w);
    out->converged = true;
}
