/* The fit of a viscoelastic contact to approach, dwell and retract at once.
 *
 * In the space where the noise is: deflection over time, for the measured piezo displacement, with
 * Ting's solution and the lever's balance solved together at each sample (contact/ting.h).
 * Searched: contact point, ln E and what the law has besides; linear: level, slope over z and drag,
 * a force that goes with the piezo's speed. The power law's modulus is searched at a time within
 * the contact, where it hangs least together with the exponent, and given at the recipe's. */
#include "curve/in_time.h"
#include "curve/passes.h"

#include <math.h>
#include <string.h>

enum { POINT, LN_MODULUS, SHAPE, LN_TIME }; /* SHAPE: exponent, or E_relaxed/E(0) */

struct problem {
    const struct curve_plan *plan;
    struct time_work *t;
    struct time_line line;
    struct ting_tip tip;
    double point;    /**< contact point when it is not searched, else NaN */
    double within_s; /**< time at which the power law's modulus is searched */
    double depth_m;  /**< of the contact, for the size of steps */
    size_t n;        /**< fit set */
    size_t quiet; /**< its samples off the surface, which the lane's first baseline was fitted to; y
                     is what that leaves of them */
    struct fit_problem fit;
};

/* The unknowns in their fixed order from those that are searched. */
static void unknowns(const struct problem *p, const double *theta, double all[FIT_MAX_THETA])
{
    size_t skip = isnan(p->point) ? 0u : 1u;
    all[POINT] = p->point;
    for (size_t i = 0; i + skip < FIT_MAX_THETA; i++)
        all[i + skip] = i < p->fit.n_theta ? theta[i] : 0.0;
}

static struct ting_solid solid_of(const struct problem *p, const double all[FIT_MAX_THETA])
{
    struct ting_solid s = {.modulus = exp(all[LN_MODULUS])};
    if (p->plan->time.law == 1) {
        s.law = TING_POWER_LAW;
        s.exponent = all[SHAPE];
        s.reference = p->within_s;
    } else {
        s.law = TING_LINEAR_SOLID;
        s.relaxed = all[SHAPE];
        s.time = exp(all[LN_TIME]);
    }
    return s;
}

/* Deflections of the model at the samples in time. @return first sample in contact */
static struct ting_end model_at(const struct problem *p, const double *theta, double *force)
{
    double all[FIT_MAX_THETA];
    struct ting_end end;
    unknowns(p, theta, all);
    struct ting_solid solid = solid_of(p, all);
    ting_force(&solid, &p->tip, &p->line.path, all[POINT], p->t->ting, force, NULL, &end);
    return end;
}

static void columns(const double *theta, struct fit_columns *out, void *context)
{
    struct problem *p = context;
    const struct time_work *t = p->t;
    double soft = p->tip.compliance, next[FIT_MAX_THETA];
    size_t first = model_at(p, theta, t->force).touched, touched = p->n;
    for (size_t k = 0; k < p->n; k++)
        out->f[k] = soft * t->force[t->index[k]];
    memcpy(next, theta, sizeof next);
    for (size_t j = 0; j < p->fit.n_theta; j++) {
        double step = 1e-6 * p->fit.scale[j];
        if (theta[j] + step > p->fit.high[j]) step = -step;
        next[j] = theta[j] + step;
        size_t begin = model_at(p, next, t->other).touched;
        next[j] = theta[j];
        if (begin < first) first = begin;
        for (size_t k = 0; k < p->n; k++)
            out->jacobian[j][k] = soft * (t->other[t->index[k]] - t->force[t->index[k]]) / step;
    }
    for (size_t k = p->n; k-- > 0 && t->index[k] >= first;)
        touched = k;
    out->first = touched < p->n ? touched : 0;
}

/* Samples that are fitted, and the linear columns over them. */
static void choose_samples(struct problem *p, const struct lane *lane)
{
    const struct curve_plan *plan = p->plan;
    const struct time_line *line = &p->line;
    struct time_work *t = p->t;
    double quiet = lane->z[lane->quiet_end - 1];
    double z0 = t->z[0], scale = fabs(t->z[line->to[SEG_APPROACH] - 1] - z0);
    bool drag = plan->time.drag && (plan->time.use[SEG_DWELL] || plan->time.use[SEG_RETRACT]);
    size_t last = plan->baseline_order ? 2 : 1;
    p->n = p->quiet = 0;
    for (int id = 0; id < SEG_COUNT; id++)
        for (size_t i = line->from[id]; i < line->to[id]; i++) {
            bool use = plan->time.use[id] || (id == SEG_APPROACH && t->z[i] <= quiet);
            if (!use || !isfinite(t->d[i])) continue;
            size_t k = p->n++;
            if (id == SEG_APPROACH && t->z[i] <= quiet) p->quiet = p->n;
            t->index[k] = i;
            t->y[k] = t->d[i] - lane->off_offset - lane->off_slope * (t->z[i] - lane->z_ref);
            t->column[0][k] = 1.0;
            t->column[1][k] = (t->z[i] - z0) / scale;
            t->column[last][k] = line->speed[id] / line->speed[SEG_APPROACH];
            /* a dwell that is meant to hold z, or nearly so, moves no liquid */
            if (id == SEG_DWELL) t->column[last][k] = 0;
        }
    p->fit = (struct fit_problem){.n = p->n, .y = t->y, .model = columns, .context = p};
    p->fit.n_linear = last + (drag ? 1 : 0);
    for (size_t j = 0; j < p->fit.n_linear; j++)
        p->fit.linear[j] = t->column[j];
}

static void set_unknown(struct problem *p, double low, double high, double scale)
{
    size_t j = p->fit.n_theta++;
    p->fit.low[j] = low, p->fit.high[j] = high, p->fit.scale[j] = scale;
}

/* Ranges of the unknowns. @param modulus  of the elastic fit */
static void set_ranges(struct problem *p, double modulus)
{
    const struct time_line *line = &p->line;
    const double *z = p->t->z;
    size_t end = line->to[SEG_APPROACH];
    double whole = 0, step = INFINITY;
    for (int i = 0; i < line->path.parts; i++) {
        size_t to = i + 1 < line->path.parts ? line->path.first[i + 1] : line->path.n;
        whole += line->path.step_s[i] * (double)(to - line->path.first[i]);
        step = fmin(step, line->path.step_s[i]);
    }
    if (isnan(p->point)) set_unknown(p, z[1], z[end - 1] - 1e-3 * p->depth_m, p->depth_m);
    set_unknown(p, log(modulus) - 9.0, log(modulus) + 9.0, 1.0);
    if (p->plan->time.law == 1) {
        set_unknown(p, -0.19, 0.95, 0.1);
    } else {
        set_unknown(p, 0.0, 1.0, 0.1);
        set_unknown(p, log(0.3 * step), log(30.0 * whole), 1.0);
    }
}

/* The samples in time, in blocks of at most `most` to a segment, and the problem over them. */
static bool make_problem(const struct curve_plan *plan, const struct raw_curve *raw,
                         struct curve_work *w, const struct contact_fit *fit, size_t most,
                         struct problem *p)
{
    enum segment_id last = plan->time.use[SEG_RETRACT] ? SEG_RETRACT
                           : plan->time.use[SEG_DWELL] ? SEG_DWELL
                                                       : SEG_APPROACH;
    const struct lane *lane = &w->lane[0];
    double unused;
    *p = (struct problem){.plan = plan, .t = w->time, .tip = ting_tip_of(plan)};
    if (!time_line_make(plan, raw, w, last, most, &p->line) || lane->quiet_end < 4) return false;
    size_t end = p->line.to[SEG_APPROACH];
    double top = w->time->z[end - 1];
    p->point = plan->time.use[SEG_APPROACH] ? NAN : fit->contact_point;
    p->depth_m = top - lane->peak_d - fit->contact_point;
    if (!(p->depth_m > 0)) return false;
    p->within_s = 0.5 * (top - fit->contact_point) / p->line.speed[SEG_APPROACH];
    if (!(p->within_s > 0)) return false;
    choose_samples(p, lane);
    set_ranges(p, sample_modulus(plan, fit->sample.reduced_modulus_pa, &unused));
    return p->n >= SMALLEST_CURVE / 2 && fit_prepare(&p->fit, w->time->fit);
}

static bool at_bound(const struct problem *p, const struct fit_result *r)
{
    for (size_t j = 0; j < p->fit.n_theta; j++)
        if (r->theta[j] <= p->fit.low[j] || r->theta[j] >= p->fit.high[j]) return true;
    return false;
}

/* Minimum over few blocks. The power law has one, and further starts are for a search that got
 * lost; the linear solid may have two, on either side of the times that the curve shows. */
static bool search_starts(struct problem *p, const struct contact_fit *fit, double modulus,
                          struct fit_result *best)
{
    static const double exponents[] = {0.2, 0.02, 0.5}, times[] = {0.3, 2.0, 0.1};
    bool power = p->plan->time.law == 1;
    int enough = power ? 1 : 2, good = 0;
    best->sum_squares = INFINITY;
    p->fit.settle = 1e-2;
    for (int i = 0; i < 3 && good < enough; i++) {
        struct fit_result found;
        double theta[FIT_MAX_THETA], share = 0.5;
        size_t j = 0;
        if (isnan(p->point)) theta[j++] = fit->contact_point;
        theta[j++] = log(modulus) - (power ? 0 : log(share + (1 - share) * exp(-1.0 / times[i])));
        theta[j++] = power ? exponents[i] : share;
        if (!power) theta[j] = log(times[i] * p->within_s);
        for (size_t l = 0; l < p->fit.n_theta; l++)
            theta[l] = fmin(fmax(theta[l], p->fit.low[l]), p->fit.high[l]);
        fit_search(&p->fit, p->t->fit, theta, &found);
        if (found.converged && !at_bound(p, &found)) good++;
        if (found.sum_squares < best->sum_squares) *best = found;
    }
    return isfinite(best->sum_squares);
}

static double residuals(const struct problem *p, const struct fit_result *r)
{
    fit_values(&p->fit, p->t->fit, r, p->t->rest);
    for (size_t i = 0; i < p->n; i++)
        p->t->rest[i] = p->t->y[i] - p->t->rest[i];
    return pass_squares(p->t->rest, 0, p->n);
}

/* Noise with a memory, as off the surface, and the fit once more with it. */
static void refine_for_noise(struct problem *p, struct fit_result *r, struct noise *noise,
                             double *scratch)
{
    enum { ENOUGH = 100 };
    double *rest = p->t->rest, white = residuals(p, r), variance = white / (double)p->n;
    struct fit_result found;
    size_t quiet = p->quiet;
    *noise = (struct noise){.samples = quiet};
    if (!p->plan->coloured_noise || quiet < ENOUGH ||
        !(sqrt(variance) > 1e-6 * fabs(p->tip.compliance * p->t->force[p->line.to[0] - 1])))
        return;
    /* a misfit in contact bends the joint baseline, and would look like noise */
    memcpy(rest, p->t->y, quiet * sizeof *rest);
    noise->slow_ratio = noise_slow(rest, quiet, &noise->slow_slope);
    if (noise->slow_ratio > 0)
        noise_shrink_slow(rest, quiet, noise->slow_ratio, noise->slow_slope,
                          FIT_MAX_SLOW * quiet / p->n);
    double c[NOISE_LAGS + 1];
    noise_autocovariance(rest, quiet, NOISE_LAGS, c);
    if (!noise_is_white(c, quiet)) noise->order = noise_fit(rest, quiet, noise->phi, scratch);
    if (noise->order == 0 && !(noise->slow_ratio > 0)) return;
    if (p->line.even) {
        fit_noise_use(noise, p->n, &p->fit);
        if (fit_prepare(&p->fit, p->t->fit)) {
            fit_search(&p->fit, p->t->fit, r->theta, &found);
            fit_finish(&p->fit, p->t->fit, &found);
            if (!found.singular && residuals(p, &found) < 4.0 * white) {
                *r = found;
                return;
            }
        }
    }
    noise->order = 0, noise->slow_ratio = 0;
    fit_noise_use(noise, p->n, &p->fit);
    if (!fit_prepare(&p->fit, p->t->fit)) return;
    fit_finish(&p->fit, p->t->fit, r);
    residuals(p, r);
    (void)fit_noise_inflate(rest, quiet, r);
}

/* Mean square of the whitened residuals in contact over that off the surface. */
static double chi_square(const struct problem *p, const struct ting_end *end)
{
    const double *white = fit_residuals(p->t->fit);
    size_t from = p->n, to = p->n, skip = p->fit.ar_order;
    for (size_t k = p->n; k-- > 0;) {
        if (p->t->index[k] >= end->lost) to = k;
        if (p->t->index[k] >= end->touched) from = k;
    }
    if (from + 8 > to || p->quiet < skip + 16) return NAN;
    /* white noise is known better from the off-surface line */
    bool plain = !skip && !p->fit.slow_n;
    double off = plain ? pass_squares(p->t->y, 0, p->quiet) / (double)(p->quiet - 2)
                       : pass_squares(white, skip, p->quiet) / (double)(p->quiet - skip);
    return pass_squares(white, from, to) / (double)(to - from) / off;
}

static void set(struct pixel_result *out, enum map_id id, double value, double variance)
{
    out->map[id] = (struct measured){isfinite(value) ? value : NAN,
                                     variance > 0 && isfinite(variance) ? sqrt(variance) : NAN};
}

/* E_relaxed and E(0) from the searched ln E(0) and share; the power law's modulus at the recipe's
 * time: first-order propagation. */
static void set_solid(const struct problem *p, const struct fit_result *r, struct pixel_result *out)
{
    size_t skip = isnan(p->point) ? 0u : 1u, e = LN_MODULUS - skip, s = SHAPE - skip,
           t = LN_TIME - skip;
    const double(*c)[FIT_MAX_ALL] = r->covariance;
    double modulus = exp(r->theta[e]), shape = r->theta[s];
    if (p->plan->time.law == 1) {
        double log_times = log(p->plan->time.reference_s / p->within_s);
        double there = modulus * exp(-shape * log_times);
        set(out, MAP_relaxation_modulus, there,
            there * there *
                (c[e][e] - 2.0 * log_times * c[e][s] + log_times * log_times * c[s][s]));
        set(out, MAP_relaxation_exponent, shape, c[s][s]);
        return;
    }
    set(out, MAP_modulus_instant, modulus, modulus * modulus * c[e][e]);
    set(out, MAP_modulus_relaxed, modulus * shape,
        modulus * modulus * (shape * shape * c[e][e] + 2.0 * shape * c[e][s] + c[s][s]));
    set(out, MAP_relaxation_time, exp(r->theta[t]), exp(2.0 * r->theta[t]) * c[t][t]);
}

/* Times that the solution itself names: first contact to the end of the approach, and from there
 * (or from the dwell's end) to where it loses contact. */
static void set_times(const struct problem *p, const struct fit_result *r,
                      const struct ting_end *end, struct pixel_result *out)
{
    const struct time_line *line = &p->line;
    double point = isnan(p->point) ? r->theta[0] : p->point;
    double contact = (p->t->z[line->to[SEG_APPROACH] - 1] - point) / line->speed[SEG_APPROACH];
    double step = line->path.step_s[line->path.parts - 1];
    set(out, MAP_contact_time, contact, NAN);
    if (line->path.withdraws && end->lost < line->path.n)
        set(out, MAP_detach_time, step * (double)(end->lost - line->from[SEG_RETRACT]), NAN);
    const struct measured *exponent = &out->map[MAP_relaxation_exponent];
    double tau = out->map[MAP_relaxation_time].value, seen = contact;
    if (line->to[SEG_DWELL] > line->from[SEG_DWELL])
        seen += line->path.step_s[1] * (double)(line->to[SEG_DWELL] - line->from[SEG_DWELL]);
    if (tau > 3.0 * seen || tau < 3.0 * line->path.step_s[0] ||
        exponent->value < 2.0 * exponent->error)
        out->flags |= FLAG(relaxation_unseen);
}

void viscoelastic_fit(const struct curve_plan *plan, const struct raw_curve *raw,
                      struct curve_work *w, const struct contact_fit *fit, struct pixel_result *out)
{
    enum { FEW = 96 };
    struct problem p;
    struct fit_result r;
    struct noise noise;
    double power, modulus;
    if (!fit->done || !isfinite(fit->contact_point)) return; /* a flag says why */
    modulus = sample_modulus(plan, fit->sample.reduced_modulus_pa, &power);
    if (!make_problem(plan, raw, w, fit, FEW, &p)) {
        out->flags |= FLAG(no_times);
        return;
    }
    bool ok = search_starts(&p, fit, modulus, &r) && make_problem(plan, raw, w, fit, TIME_MOST, &p);
    if (ok) {
        double start[FIT_MAX_THETA];
        memcpy(start, r.theta, sizeof start);
        p.fit.settle = 1e-6; /* a thousandth of a standard error */
        fit_search(&p.fit, w->time->fit, start, &r);
        fit_finish(&p.fit, w->time->fit, &r);
    }
    if (!ok || !r.converged || r.singular) {
        out->flags |= FLAG(relaxation_failed);
        return;
    }
    struct ting_end end = model_at(&p, r.theta, w->time->force);
    refine_for_noise(&p, &r, &noise, w->time->other);
    end = model_at(&p, r.theta, w->time->force);
    if (at_bound(&p, &r)) out->flags |= FLAG(relaxation_failed);
    set_solid(&p, &r, out);
    if (isnan(p.point)) set(out, MAP_contact_point_in_time, r.theta[0], r.covariance[0][0]);
    double chi = chi_square(&p, &end);
    set(out, MAP_relaxation_chi_square, chi, NAN);
    if (isfinite(plan->limit.reduced_chi_square) && chi > plan->limit.reduced_chi_square)
        out->flags |= FLAG(relaxation_misfit);
    set_times(&p, &r, &end, out);
}
