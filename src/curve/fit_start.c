/* Start values of the contact fit: contact points on a grid, compared on means of blocks. */
#include "curve/fit_private.h"
#include "curve/passes.h"

#include <math.h>
#include <string.h>

enum { SCAN_POINTS = 28, SCAN_USUAL = 16, SCAN_STARTS = FIT_STARTS };

struct scan {
    struct curve_work *w; /* its buffers */
    const struct fit_set *blocks;
    size_t first; /* contact lies beyond it */
    size_t from;  /* blocks below the contact point last looked at; those only go deeper */
    double below; /* sum of squares of these */
    int points;
    double cost[SCAN_POINTS], z0[SCAN_POINTS], length[SCAN_POINTS];
    struct contact_shape shape[SCAN_POINTS];
};

/* Blocks before z0 lie on the baseline; the others are compared with the model: over indentation
 * where that is fitted and no pull shifts it, since the force is found faster than the lever's
 * deflection. */
static double scan_cost(const struct curve_plan *plan, struct scan *scan, double z0, double length,
                        const struct contact_shape *shape)
{
    const struct fit_set *b = scan->blocks;
    struct curve_work *w = scan->w;
    bool indent = plan->force_space && !plan->model->pull && !plan->model->adhesive;
    double *t = w->reduced, pull = plan->model->pull ? b->pull_m : 0.0;
    const double *position = indent ? b->indent : b->z;
    size_t from = scan->from, m;
    if (!plan->model->adhesive) from = pass_first_above(position, from, b->n, z0);
    scan->below += pass_squares(b->y, scan->from, from);
    scan->from = from;
    m = b->n - from;
    fit_reduce(position + from, z0, 1.0 / length, 0, m, t);
    if (m > 0) (indent ? plan->model->force : plan->model->lever)(shape, t, m, &w->columns);
    double scale = indent ? shape->kappa * length : length;
    return scan->below + pass_misfit(b->y + from, w->columns.value, m, scale, -pull);
}

/* Contact points at geometric distances from the deepest one, since the depth of a stiff contact is
 * a small part of the ramp; each with the length that meets the turning point. */
static void scan_contact_points(const struct curve_plan *plan, struct scan *scan)
{
    const struct contact_model *m = plan->model;
    const struct fit_set *b = scan->blocks;
    const double ratio = pow(1e-3, 1.0 / (scan->points - 1));
    double pull = m->pull ? b->pull_m : 0.0, deepest = b->end_z - b->end_d - pull;
    double depth = deepest - b->z_low;
    if (!(depth > 0)) depth = 1e-3 * b->z_scale;
    for (int j = 0; j < scan->points; j++, depth *= ratio) {
        struct contact_shape shape = {.setup = &plan->setup};
        double length;
        if (m->has_extra) shape.extra = log(plan->setup.transition);
        /* match() speaks of the true contact point, the search of the one the pull shifts */
        m->match(&plan->setup, depth + b->end_d, b->end_d, b->pull_m, &length, &shape.kappa);
        scan->z0[j] = deepest - depth;
        scan->length[j] = length;
        scan->shape[j] = shape;
        bool good = isfinite(scan->z0[j]) && length > 0 && isfinite(length) && shape.kappa > 0 &&
                    isfinite(shape.kappa);
        scan->cost[j] = good ? scan_cost(plan, scan, scan->z0[j], length, &shape) : INFINITY;
        if (!isfinite(scan->cost[j])) scan->cost[j] = INFINITY;
    }
}

static void scan_theta(const struct curve_plan *plan, const struct scan *scan, int j, double *theta)
{
    const struct contact_model *m = plan->model;
    size_t next = 0;
    /* force over indentation knows the true contact point, the lever's curve the shifted one */
    theta[next++] = scan->z0[j] + (plan->force_space && m->pull ? scan->blocks->pull_m : 0.0);
    if (m->free_length) theta[next++] = log(scan->length[j]);
    if (m->free_kappa) theta[next++] = log(scan->shape[j].kappa);
    if (plan->free_extra) theta[next++] = scan->shape[j].extra;
}

/* The best local minima of the scan, best first. */
static int scan_best(const struct scan *scan, int best[SCAN_STARTS])
{
    int n = 0;
    for (int j = 0; j < scan->points; j++) {
        bool left = j == 0 || scan->cost[j] <= scan->cost[j - 1];
        bool right = j + 1 == scan->points || scan->cost[j] < scan->cost[j + 1];
        if (!left || !right || !isfinite(scan->cost[j])) continue;
        int at = n < SCAN_STARTS ? n++ : SCAN_STARTS;
        for (; at > 0 && scan->cost[j] < scan->cost[best[at - 1]]; at--)
            if (at < SCAN_STARTS) best[at] = best[at - 1];
        if (at < SCAN_STARTS) best[at] = j;
    }
    return n;
}

static int starts_at(const struct curve_plan *plan, struct curve_work *w,
                     const struct fit_set *blocks, double theta[FIT_STARTS][FIT_MAX_THETA])
{
    /* where a further number is searched, neighbouring minima are narrower */
    struct scan scan = {.w = w,
                        .blocks = blocks,
                        .first = blocks->contact,
                        .points = plan->free_extra ? SCAN_POINTS : SCAN_USUAL};
    int best[SCAN_STARTS], kept = 0;
    while (!plan->model->adhesive && scan.first < blocks->n &&
           blocks->z[scan.first] < blocks->z_low)
        scan.first++;
    scan.from = scan.first;
    scan_contact_points(plan, &scan);
    int n = scan_best(&scan, best);
    /* a start far above the best never won in trials on noisy curves */
    for (int i = 0; i < n && !(scan.cost[best[i]] > 25.0 * scan.cost[best[0]]); i++)
        scan_theta(plan, &scan, best[i], theta[kept++]);
    return kept;
}

/* A further number that is searched: the best start for each of a few values over its range. */
int fit_starts(const struct curve_plan *plan, struct curve_work *w, const struct fit_set *blocks,
               double theta[FIT_STARTS][FIT_MAX_THETA])
{
    int kept = 0;
    if (!plan->free_extra) return starts_at(plan, w, blocks, theta);
    for (int j = 0; j < FIT_STARTS; j++) {
        struct curve_plan fixed = *plan;
        const double *range = plan->model->extra_range;
        double found[FIT_STARTS][FIT_MAX_THETA], share = (j + 0.5) / FIT_STARTS;
        fixed.setup.transition = exp(range[0] + share * (range[1] - range[0]));
        if (starts_at(&fixed, w, blocks, found)) memcpy(theta[kept++], found[0], sizeof found[0]);
    }
    return kept;
}
