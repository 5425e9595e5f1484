/* What the sum of squares says of a fitted lambda further from its minimum than the curvature
 * there reaches: it is often flat on one side, or has a second dip. */
#include "curve/fit_private.h"

#include <math.h>
#include <string.h>

struct walk {
    const struct fit_problem *p;
    struct curve_work *w;
    struct fit_result best;
    double variance; /* of a residual */
    double width[2]; /* downwards, upwards: what the number's standard error must be for no place to
                        be more of them away than its sum of squares says */
};

/* The other unknowns at a given further number, from where they are in `io`. */
static void settle_others(const struct walk *walk, double extra, struct fit_result *io)
{
    struct model_context context = *(const struct model_context *)walk->p->context;
    struct curve_plan held = *context.plan;
    struct fit_problem others = *walk->p;
    size_t k = --others.n_theta;
    double start[FIT_MAX_THETA];
    held.free_extra = false;
    held.setup.transition = exp(extra);
    context.plan = &held;
    others.context = &context;
    others.settle = 1e-3;
    memcpy(start, io->theta, sizeof start);
    fit_search_end(&others, walk->w, start, io);
    io->theta[k] = extra;
}

/* One way, in growing steps, to the end of the range or to three standard errors; a step beyond
 * those is made shorter first, since a dip may lie within it. From there on in steady steps through
 * a rise that is not too high and not too wide, since a dip may lie behind it.
 * @return whether a sum of squares below the least one was met: then it is in `io` */
static bool walk_towards(struct walk *walk, double first_step, struct fit_result *io)
{
    const double steady = 0.3, near = 0.25, far = 9.0, too_high = 60.0, too_wide = 1.2;
    const struct fit_problem *p = walk->p;
    size_t k = p->n_theta - 1;
    double *width = &walk->width[first_step > 0], step = first_step, rise = 0, away = 0, grow = 1.5;
    bool ends = false;
    *io = walk->best;
    for (*width = 0; !ends && (rise < far || (rise < too_high && away < too_wide));) {
        struct fit_result before = *io;
        double next = io->theta[k] + step, rise_before = rise;
        ends = !(next > p->low[k] && next < p->high[k]);
        if (ends) next = step > 0 ? p->high[k] : p->low[k];
        settle_others(walk, next, io);
        away = fabs(next - walk->best.theta[k]);
        rise = (io->sum_squares - walk->best.sum_squares) / walk->variance;
        if (rise < -0.01) return true;
        if (!(rise < far) && rise_before < far && fabs(step) > fabs(first_step)) {
            *io = before;
            ends = false, rise = rise_before, step *= 0.5, grow = 1.0;
            continue;
        }
        /* a level way says nothing but where the range ends */
        if ((rise > near || ends) && (rise < far || rise_before < far))
            *width = fmax(*width, away / sqrt(fmax(rise, near)));
        step = rise < far ? step * grow : copysign(fmin(fabs(step), steady), step);
    }
    return false;
}

static bool walk_both_ways(struct walk *walk, struct fit_result *lower)
{
    const double shortest = 1e-3, longest = 0.5;
    size_t k = walk->p->n_theta - 1;
    double step = sqrt(walk->best.covariance[k][k]);
    if (walk->best.singular) return false;
    walk->variance = walk->best.sum_squares / (double)walk->best.degrees_of_freedom;
    step = fmin(fmax(step, shortest), longest);
    return walk_towards(walk, -step, lower) || walk_towards(walk, step, lower);
}

/* The number's standard error from that of the side where it is larger, else its intervals would
 * not hold what lies there; and with it whatever goes along with the number. */
static void stretch(const struct walk *walk, size_t n, struct fit_result *r)
{
    size_t k = walk->p->n_theta - 1;
    double along[FIT_MAX_ALL], own = walk->best.covariance[k][k];
    double square = pow(fmax(walk->width[0], walk->width[1]), 2);
    if (!(square > 0)) return;
    for (size_t a = 0; a < n; a++)
        along[a] = r->covariance[a][k];
    for (size_t a = 0; a < n; a++)
        for (size_t b = 0; b < n; b++)
            r->covariance[a][b] += (square / own - 1.0) * along[a] * along[b] / along[k];
}

void fit_profile(struct curve_work *w, const struct fit_problem *p, struct fit_result *r)
{
    enum { ROUNDS = 4 };
    size_t n = p->n_theta + p->n_linear, k = p->n_theta - 1;
    struct walk walk = {.p = p, .w = w, .best = *r};
    struct fit_result lower;
    if (r->singular || !r->converged || !(r->sum_squares > 0)) return;
    fit_finish(p, w->fit, &walk.best);
    /* what is known of the noise may have made them larger */
    double wider = r->covariance[k][k] / walk.best.covariance[k][k];
    for (int round = 0; round < ROUNDS && walk_both_ways(&walk, &lower); round++) {
        fit_search_end(p, w, lower.theta, &walk.best);
        fit_polish(p, w->fit, POLISHED, &walk.best);
        fit_finish(p, w->fit, &walk.best);
    }
    *r = walk.best;
    fit_finish(p, w->fit, r);
    for (size_t a = 0; a < n; a++)
        for (size_t b = 0; b < n; b++)
            r->covariance[a][b] *= wider;
    if (!r->singular) stretch(&walk, n, r);
}
