/* The joint fit of contact model, contact point and baseline to one segment.
 *
 * Deflection space (default): d = offset + slope (z - z_ref) + l y((z - Z0)/l; kappa) [- pull in
 * contact] Force space: the same with l kappa f((D - Z0)/l), D = z - d measured, baseline of the
 * off-surface part taken off before: least squares of force on indentation, in units of the lever's
 * deflection. Searched: Z0, ln l and/or ln kappa; offset, slope and pull are linear. */
#include "curve/fit_private.h"
#include "curve/passes.h"

#include <math.h>
#include <string.h>

/* The fitted baseline becomes the lane's. */
static void adopt_baseline(const struct curve_plan *plan, const struct fit_set *set,
                           const struct fit_problem *p, const struct fit_result *r,
                           struct lane *lane)
{
    double slope = plan->baseline_order ? r->linear[1] / set->z_scale : 0.0;
    lane->offset += r->linear[0] + slope * (lane->z_ref - set->z[0]);
    lane->slope += slope;
    /* offset at z_ref = c0 + c1 (z_ref - z_first)/scale */
    double far = (lane->z_ref - set->z[0]) / set->z_scale, per = 1.0 / set->z_scale;
    size_t a = p->n_theta, b = a + (plan->baseline_order ? 1 : 0);
    const double(*c)[FIT_MAX_ALL] = r->covariance;
    lane->baseline_var[0] = c[a][a];
    lane->baseline_var[1] = lane->baseline_var[2] = 0;
    if (b == a) return;
    lane->baseline_var[0] += far * (2.0 * c[a][b] + far * c[b][b]);
    lane->baseline_var[1] = per * (c[a][b] + far * c[b][b]);
    lane->baseline_var[2] = per * per * c[b][b];
}

/* What lies off the surface, now that the contact point is known; its noise. */
static void adopt_noise(const struct curve_plan *plan, const struct contact_fit *fit,
                        struct lane *lane)
{
    size_t end = 0, low, high;
    if (plan->model->adhesive)
        end = lane_pull_off(lane) < lane->n ? lane_pull_off(lane) : lane->baseline_end;
    else
        end = pass_first_not_below(lane->z, 0, lane->n, fit->contact_point);
    attractive_samples(lane, &low, &high);
    if (high > 0 && low < end) end = low;
    lane->baseline_end = end;
    size_t used = end > 40 ? end - end / 20 : end;
    if (used < 4) return;
    double rest = pass_squares(lane->flat, 0, used);
    lane->noise = sqrt(rest / (double)(used - 1 - (size_t)plan->baseline_order));
}

static void keep_trace(struct curve_work *w, const struct lane *lane, const struct fit_set *set,
                       const struct fit_problem *p, const struct fit_result *r)
{
    fit_values(p, w->fit, r, w->model_values);
    for (size_t k = 0; k < set->n; k++) {
        size_t i = fit_set_sample(set, k);
        w->in_fit[i] = 1;
        /* fit values are relative to the baseline that was taken off before the fit */
        w->model[i] = w->model_values[k] + lane->offset + lane->slope * (lane->z[i] - lane->z_ref);
    }
}

/* What a fit leaves for a further one. */
struct solution {
    double theta[FIT_MAX_THETA];
    struct noise noise;
};

/* One fit over the samples of `set`. */
static bool fit_once(const struct curve_plan *plan, struct curve_work *w, struct lane *lane,
                     const struct fit_set *set, bool last, struct contact_fit *out,
                     struct solution *left)
{
    struct model_context context = {plan, w, set, 0};
    struct fit_problem p;
    struct fit_result r = {.converged = false};
    if (!fit_minimum(plan, w, set, &context, &p, &r)) return false;
    fit_finish(&p, w->fit, &r);
    /* in force space the residuals are not the noise: they hold its image in the indentation too */
    fit_noise_find(plan, plan->coloured_noise && !plan->force_space,
                   plan->hint && plan->hint->white, w, lane, set, &p, &r, &left->noise);
    double memory = fit_noise_refine(!plan->model->kink, w, lane, set, &p, &r, &left->noise);
    if (fit_by_end(plan) && !plan->values_only) fit_profile(w, &p, &r);
    double rows = (double)(r.degrees_of_freedom + p.n_theta + p.n_linear);
    out->whole_rms = sqrt(r.sum_squares / rows);
    out->effective = rows / memory;
    out->slow_ratio = left->noise.slow_ratio;
    memcpy(left->theta, r.theta, sizeof r.theta);
    double pull_m = plan->model->pull ? r.linear[p.n_linear - 1] : 0.0;
    struct contact_shape shape = shape_at(plan, r.theta);
    out->length = fit_length(plan, set, &r);
    out->kappa = shape.kappa;
    out->pull_n = pull_m * plan->setup.spring_n_per_m;
    out->sample.extra = shape.extra;
    plan->model->physics(&plan->setup, out->length, out->kappa, out->pull_n, &out->sample);
    out->contact_point = r.theta[0] + (plan->force_space ? 0.0 : pull_m);
    /* a pull that pushes is no adhesion */
    out->converged = r.converged && !r.singular && !(plan->model->pull && !(pull_m > 0)) &&
                     out->length > 0;
    out->done = true;
    out->noise_order = left->noise.order;
    fit_describe(plan, &p, w, lane, set, &r, out);
    fit_propagate(plan, &p, &r, set, w, lane, pull_m, left->noise.gamma, out);
    if (last) {
        if (w->tracing) keep_trace(w, lane, set, &p, &r);
        /* a model that does not fit the contact bends the baseline it was fitted with */
        if (!(out->chi_square > 4.0)) {
            adopt_baseline(plan, set, &p, &r, lane);
            lane_flatten(plan, lane);
            adopt_noise(plan, out, lane);
        }
    }
    return true;
}

/* The samples of the whole fit to half its depth. Over indentation they are taken anew, since the
 * fitted baseline has moved the indentation; over z it only moves what the fit finds by itself. */
static void shallow_half(const struct curve_plan *plan, struct curve_work *w,
                         const struct lane *lane, const struct fit_set *all, double contact_point,
                         double depth_m, struct fit_set *set)
{
    struct curve_plan shallow = *plan;
    if (!plan->force_space) {
        fit_set_shallow(lane, all, contact_point, depth_m, set);
        return;
    }
    shallow.to = depth_m;
    shallow.to_is = RANGE_INDENTATION;
    fit_set_choose(&shallow, w, lane, contact_point, set);
}

/* The same fit to the shallow half of the indentation, from the whole one's solution and with its
 * noise: agrees with it when model, thickness and contact point are right. */
static void fit_half(const struct curve_plan *plan, struct curve_work *w, const struct lane *lane,
                     const struct fit_set *all, struct solution *whole, struct contact_fit *out)
{
    struct fit_set set;
    struct model_context context = {plan, w, &set, 0};
    struct fit_problem p;
    struct fit_result r;
    struct contact_sample sample;
    double depth = lane->peak_z - lane->peak_d - out->contact_point;
    if (!plan->two_depths || !out->converged || !(depth > 0)) return;
    shallow_half(plan, w, lane, all, out->contact_point, 0.5 * depth, &set);
    if (set.n < SMALLEST_CURVE / 2) return;
    fit_set_problem(plan, w, &set, &context, &p);
    fit_noise_use(&whole->noise, set.n, &p);
    p.close = true;
    p.settle = 1e-5; /* a check, not a result: a hundredth of a standard error will do */
    if (!fit_prepare(&p, w->fit)) return;
    if (fit_by_end(plan))
        fit_search_end(&p, w, whole->theta, &r);
    else
        fit_search(&p, w->fit, whole->theta, &r);
    if (plan->model->kink) fit_neighbours(w, &set, &p, &r);
    fit_finish(&p, w->fit, &r);
    if (!r.converged || r.singular || fit_at_bound(plan, &p, &set, &r)) return;
    struct contact_shape shape = shape_at(plan, r.theta);
    plan->model->physics(&plan->setup, length_at(plan, r.theta), shape.kappa, 0.0, &sample);
    out->half_modulus = sample.reduced_modulus_pa;
    out->half_var = fit_modulus_variance(plan, &r);
}

void contact_fit_run(const struct curve_plan *plan, struct curve_work *w, struct lane *lane,
                     struct contact_fit *out, uint64_t *flags)
{
    struct fit_set set;
    struct solution left;
    bool by_depth = plan->from_is == RANGE_INDENTATION || plan->to_is == RANGE_INDENTATION;
    *out = (struct contact_fit){.sample = {NAN, NAN, NAN}, .contact_point = NAN};
    out->half_modulus = out->half_var = NAN;
    if (plan->model->adhesive && lane_pull_off(lane) == lane->n) {
        *flags |= FLAG(no_adhesion_to_fit);
        return;
    }
    fit_set_choose(plan, w, lane, NAN, &set);
    bool ok = set.n >= SMALLEST_CURVE / 2 && fit_once(plan, w, lane, &set, !by_depth, out, &left);
    if (ok && by_depth) {
        fit_set_choose(plan, w, lane, out->contact_point, &set);
        ok = set.n >= SMALLEST_CURVE / 2 && fit_once(plan, w, lane, &set, true, out, &left);
    }
    if (!ok || !out->converged) *flags |= FLAG(fit_failed);
    if (out->done && out->at_bound) *flags |= FLAG(at_bound);
    if (!ok) return;
    lane_find_turning_point(lane); /* the baseline is the fitted one now */
    lane->peak_error = sqrt(out->cov[COV_PEAK][COV_PEAK]);
    fit_half(plan, w, lane, &set, &left, out);
}
