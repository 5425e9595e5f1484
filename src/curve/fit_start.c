/* Start values of the contact fit: contact points on a grid, compared on block means. */
#include "curve/fit_private.h"

#include <math.h>
#include <string.h>

enum { SCAN_POINTS = 28, SCAN_BLOCKS = 96, SCAN_STARTS = FIT_STARTS };

struct scan {
    size_t n;
    double z[SCAN_BLOCKS], d[SCAN_BLOCKS], weight[SCAN_BLOCKS];
    double cost[SCAN_POINTS], theta[SCAN_POINTS][FIT_MAX_THETA];
};

/* Means of blocks of the fit set from where contact can begin. */
static void scan_blocks(const struct curve_plan *plan, const struct curve_work *w,
                        const struct fit_set *set, struct scan *scan)
{
    size_t first = plan->model->adhesive ? set->contact : 0;
    if (!plan->model->adhesive)
        while (first < set->n && w->fz[first] < set->z_low)
            first++;
    size_t left = set->n - first, block = left / SCAN_BLOCKS + 1;
    scan->n = 0;
    for (size_t i = first; i < set->n; i += block) {
        size_t to = i + block < set->n ? i + block : set->n;
        double z = 0, d = 0, m = (double)(to - i);
        for (size_t k = i; k < to; k++)
            z += w->fz[k], d += w->fy[k];
        scan->z[scan->n] = z / m;
        scan->d[scan->n] = d / m;
        scan->weight[scan->n++] = m;
    }
}

static double scan_cost(const struct curve_plan *plan, const struct fit_set *set,
                        const struct scan *scan, double z0, double length,
                        const struct contact_shape *shape)
{
    double t[SCAN_BLOCKS], y[4][SCAN_BLOCKS], cost = 0;
    struct contact_columns columns = {y[0], y[1], y[2], y[3]};
    double pull = plan->model->pull ? set->pull_m : 0.0;
    for (size_t i = 0; i < scan->n; i++)
        t[i] = (scan->z[i] - z0) / length;
    plan->model->lever(shape, t, scan->n, &columns);
    for (size_t i = 0; i < scan->n; i++) {
        double r = scan->d[i] - (length * y[0][i] - pull);
        cost += scan->weight[i] * r * r;
    }
    return cost;
}

/* Contact points at geometric distances from the deepest one, since the depth of a stiff contact is
 * a small part of the ramp; each with the length that meets the turning point. */
static void scan_contact_points(const struct curve_plan *plan, const struct fit_set *set,
                                struct scan *scan)
{
    const struct contact_model *m = plan->model;
    double pull = m->pull ? set->pull_m : 0.0;
    double deepest = set->end_z - set->end_d - pull, widest = deepest - set->z_low;
    if (!(widest > 0)) widest = 1e-3 * set->z_scale;
    for (int j = 0; j < SCAN_POINTS; j++) {
        double depth = widest * pow(1e-3, (double)j / (SCAN_POINTS - 1));
        double z0 = deepest - depth, length;
        struct contact_shape shape = {.setup = &plan->setup};
        if (m->has_extra) shape.extra = log(plan->setup.transition);
        /* match() speaks of the true contact point, the search of the one the pull shifts */
        m->match(&plan->setup, depth + set->end_d, set->end_d, set->pull_m, &length, &shape.kappa);
        double *theta = scan->theta[j];
        size_t next = 0;
        theta[next++] = z0;
        if (m->free_length) theta[next++] = log(length);
        if (m->free_kappa) theta[next++] = log(shape.kappa);
        if (plan->free_extra) theta[next++] = shape.extra;
        scan->cost[j] = scan_cost(plan, set, scan, z0, length, &shape);
        /* force over indentation knows the true contact point, the lever's curve the shifted one */
        if (plan->force_space) theta[0] += pull;
        for (size_t k = 0; k < next; k++)
            if (!isfinite(theta[k])) scan->cost[j] = INFINITY;
        if (!isfinite(scan->cost[j])) scan->cost[j] = INFINITY;
    }
}

/* The best local minima of the scan, best first. */
static int scan_best(const struct scan *scan, int best[SCAN_STARTS])
{
    int n = 0;
    for (int j = 0; j < SCAN_POINTS; j++) {
        bool left = j == 0 || scan->cost[j] <= scan->cost[j - 1];
        bool right = j + 1 == SCAN_POINTS || scan->cost[j] < scan->cost[j + 1];
        if (!left || !right || !isfinite(scan->cost[j])) continue;
        int at = n < SCAN_STARTS ? n++ : SCAN_STARTS;
        for (; at > 0 && scan->cost[j] < scan->cost[best[at - 1]]; at--)
            if (at < SCAN_STARTS) best[at] = best[at - 1];
        if (at < SCAN_STARTS) best[at] = j;
    }
    return n;
}

static int starts_at(const struct curve_plan *plan, struct curve_work *w, const struct fit_set *set,
                     double theta[FIT_STARTS][FIT_MAX_THETA])
{
    struct scan scan;
    int best[SCAN_STARTS], kept = 0;
    scan_blocks(plan, w, set, &scan);
    scan_contact_points(plan, set, &scan);
    int n = scan_best(&scan, best);
    /* a start far above the best never won in trials on noisy curves */
    for (int i = 0; i < n && !(scan.cost[best[i]] > 25.0 * scan.cost[best[0]]); i++)
        memcpy(theta[kept++], scan.theta[best[i]], sizeof scan.theta[0]);
    return kept;
}

/* A further number that is searched: the best start for each of a few values over its range. */
int fit_starts(const struct curve_plan *plan, struct curve_work *w, const struct fit_set *set,
               double theta[FIT_STARTS][FIT_MAX_THETA])
{
    int kept = 0;
    if (!plan->free_extra) return starts_at(plan, w, set, theta);
    for (int j = 0; j < FIT_STARTS; j++) {
        struct curve_plan fixed = *plan;
        const double *range = plan->model->extra_range;
        double found[FIT_STARTS][FIT_MAX_THETA], share = (j + 0.5) / FIT_STARTS;
        fixed.setup.transition = exp(range[0] + share * (range[1] - range[0]));
        if (starts_at(&fixed, w, set, found)) memcpy(theta[kept++], found[0], sizeof found[0]);
    }
    return kept;
}
