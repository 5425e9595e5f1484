/* The joint fit of contact model, contact point and baseline to one segment.
 *
 * Deflection space (default): d = offset + slope (z - z_ref) + l y((z - Z0)/l; kappa) [- pull in
 * contact] Force space: the same with l kappa f((D - Z0)/l), D = z - d measured, baseline of the
 * off-surface part taken off before: least squares of force on indentation, in units of the lever's
 * deflection. Searched: Z0, ln l and/or ln kappa; offset, slope and pull are linear. */
#include "curve/curve_private.h"

#include <math.h>
#include <string.h>

/* Which samples take part, and where contact begins among them. */
struct fit_set {
    size_t n, contact; /* fit set size; adhesive: index of the first sample in contact */
    double z_scale;
    double pull_m, end_d, end_z; /* for start values: pull-off, turning point */
    double z_low;                /* contact point lies above this */
};

struct model_context {
    const struct curve_plan *plan;
    struct curve_work *w;
    const struct fit_set *set;
};

static double length_at(const struct curve_plan *plan, const double *theta)
{
    return plan->model->free_length ? exp(theta[1]) : plan->model->fixed_length(&plan->setup);
}

static struct contact_shape shape_at(const struct curve_plan *plan, const double *theta)
{
    const struct contact_model *m = plan->model;
    size_t next = 1 + m->free_length;
    struct contact_shape shape = {.setup = &plan->setup, .kappa = 1.0};
    if (m->free_kappa) shape.kappa = exp(theta[next++]);
    if (m->has_extra) shape.extra = plan->free_extra ? theta[next] : log(plan->setup.transition);
    return shape;
}

static struct contact_columns columns_from(const struct contact_columns *c, size_t first)
{
    return (struct contact_columns){c->value + first, c->slope + first, c->by_lnkappa + first,
                                    c->by_extra + first};
}

/* First sample that the model touches. z may jitter, so look rather than bisect. */
static size_t first_in_contact(const struct model_context *c, const double *position, double z0)
{
    size_t i = 0;
    if (c->plan->model->adhesive) return c->set->contact;
    while (i < c->set->n && !(position[i] > z0))
        i++;
    return i;
}

static void lever_columns(const double *theta, struct fit_columns *out, void *context)
{
    const struct model_context *c = context;
    const struct contact_model *m = c->plan->model;
    struct curve_work *w = c->w;
    struct contact_shape shape = shape_at(c->plan, theta);
    double l = length_at(c->plan, theta), per_l = 1.0 / l;
    size_t n = c->set->n, first = first_in_contact(c, w->fz, theta[0]), next = 1;
    struct contact_columns y = w->columns, part = columns_from(&y, first);
    out->first = first;
    for (size_t i = first; i < n; i++)
        w->reduced[i] = (w->fz[i] - theta[0]) * per_l;
    m->lever(&shape, w->reduced + first, n - first, &part);
    for (size_t i = first; i < n; i++) {
        out->f[i] = l * y.value[i];
        out->jacobian[0][i] = -y.slope[i];
    }
    if (m->free_length) {
        double *j = out->jacobian[next++];
        for (size_t i = first; i < n; i++)
            j[i] = l * (y.value[i] - w->reduced[i] * y.slope[i]);
    }
    if (m->free_kappa) {
        double *j = out->jacobian[next++];
        for (size_t i = first; i < n; i++)
            j[i] = l * y.by_lnkappa[i];
    }
    if (c->plan->free_extra) {
        double *j = out->jacobian[next];
        for (size_t i = first; i < n; i++)
            j[i] = l * y.by_extra[i];
    }
}

static void force_columns(const double *theta, struct fit_columns *out, void *context)
{
    const struct model_context *c = context;
    const struct contact_model *m = c->plan->model;
    struct curve_work *w = c->w;
    struct contact_shape shape = shape_at(c->plan, theta);
    double l = length_at(c->plan, theta), per_l = 1.0 / l, kappa = shape.kappa;
    size_t n = c->set->n, first = first_in_contact(c, w->indent, theta[0]), next = 1;
    struct contact_columns f = w->columns, part = columns_from(&f, first);
    out->first = first;
    for (size_t i = first; i < n; i++)
        w->reduced[i] = (w->indent[i] - theta[0]) * per_l;
    m->force(&shape, w->reduced + first, n - first, &part);
    for (size_t i = first; i < n; i++) {
        out->f[i] = kappa * l * f.value[i];
        out->jacobian[0][i] = -kappa * f.slope[i];
    }
    if (m->free_length) {
        double *j = out->jacobian[next++];
        for (size_t i = first; i < n; i++)
            j[i] = kappa * l * (f.value[i] - w->reduced[i] * f.slope[i]);
    }
    if (m->free_kappa) {
        double *j = out->jacobian[next++];
        for (size_t i = first; i < n; i++)
            j[i] = out->f[i];
    }
    if (c->plan->free_extra) {
        double *j = out->jacobian[next];
        for (size_t i = first; i < n; i++)
            j[i] = kappa * l * f.by_extra[i];
    }
}

/* --- which samples --- */

static double mean_of_three(const struct lane *lane, size_t i)
{
    size_t a = i > 0 ? i - 1 : 0, b = i + 1 < lane->n ? i + 1 : i;
    double sum = 0;
    for (size_t k = a; k <= b; k++)
        sum += lane_deflection(lane, k);
    return sum / (double)(b - a + 1);
}

/* A limit of the fitted range in the quantity of lane: force / k, or indentation. */
static double range_value(const struct curve_plan *plan, const struct lane *lane, enum range_of is,
                          size_t i, double contact_point)
{
    double d = mean_of_three(lane, i);
    return is == RANGE_INDENTATION ? lane->z[i] - d - contact_point
                                   : plan->setup.spring_n_per_m * d;
}

static double range_limit(const struct curve_plan *plan, const struct lane *lane, enum range_of is,
                          double limit)
{
    return is == RANGE_SHARE_OF_PEAK ? limit * plan->setup.spring_n_per_m * lane->peak_d : limit;
}

/* Samples [begin, end) of the contact that the recipe's range lets in. Without a contact point
 * (NaN) limits by indentation wait for the second pass. */
static void range_samples(const struct curve_plan *plan, const struct lane *lane, size_t contact,
                          double contact_point, size_t *begin, size_t *end)
{
    double from = range_limit(plan, lane, plan->from_is, plan->from);
    double to = range_limit(plan, lane, plan->to_is, plan->to);
    bool waits = isnan(contact_point);
    *begin = contact;
    *end = lane->n;
    if (from > 0 && !(waits && plan->from_is == RANGE_INDENTATION))
        for (size_t i = lane->n; i-- > contact;)
            if (range_value(plan, lane, plan->from_is, i, contact_point) < from) {
                *begin = i + 1;
                break;
            }
    if (plan->to_is == RANGE_SHARE_OF_PEAK && plan->to >= 1.0) return;
    if (waits && plan->to_is == RANGE_INDENTATION) return;
    for (size_t i = *begin; i < lane->n; i++)
        if (range_value(plan, lane, plan->to_is, i, contact_point) > to) {
            *end = i;
            break;
        }
}

/* Attraction that a model without adhesion cannot describe: [begin, end) from where the force
 * leaves zero downwards to where it is back at zero. Empty when nothing stands out of the noise. */
static void attractive_samples(const struct lane *lane, size_t *begin, size_t *end)
{
    double lowest = 0;
    size_t at = lane->n;
    for (size_t i = 0; i < lane->n; i++) {
        double d = lane_deflection(lane, i);
        if (d < lowest) lowest = d, at = i;
    }
    *begin = *end = 0;
    if (at == lane->n || !(-lowest > 5.0 * lane->noise) || !(-lowest > 2e-3 * lane->peak_d)) return;
    *begin = at;
    double leaves = -fmax(lane->noise, -0.02 * lowest); /* noise can be nil, rounding never is */
    while (*begin > 0 && lane_deflection(lane, *begin - 1) < leaves)
        --*begin;
    *end = at;
    while (*end < lane->n && lane_deflection(lane, *end) < 0)
        ++*end;
}

static void take(struct curve_work *w, const struct lane *lane, size_t from, size_t to,
                 struct fit_set *set)
{
    for (size_t i = from; i < to; i++) {
        w->index[set->n] = i;
        w->fz[set->n] = lane->z[i];
        w->fy[set->n] = lane_deflection(lane, i);
        w->indent[set->n] = lane->z[i] - w->fy[set->n];
        set->n++;
    }
}

/* Samples next to the jump off contact stay out: a real lever leaves early, and the slope of the
 * model is without bound there. */
enum { JUMP_GUARD = 2 };

static void choose_samples(const struct curve_plan *plan, struct curve_work *w,
                           const struct lane *lane, double contact_point, struct fit_set *set)
{
    size_t begin, end, low, high;
    *set = (struct fit_set){.end_z = lane->peak_z, .end_d = lane->peak_d};
    if (plan->model->adhesive) {
        size_t off = lane_pull_off(lane);
        set->pull_m = 0;
        for (size_t i = off; i < lane->n; i++)
            set->pull_m = fmax(set->pull_m, -lane_deflection(lane, i));
        set->z_low = off < lane->n ? lane->z[off] : lane->z[0];
        range_samples(plan, lane, off, contact_point, &begin, &end);
        if (begin < off + JUMP_GUARD) begin = off + JUMP_GUARD;
        take(w, lane, 0, off > JUMP_GUARD ? off - JUMP_GUARD : 0, set);
        set->contact = set->n;
        if (begin < end) take(w, lane, begin, end, set);
    } else {
        attractive_samples(lane, &low, &high);
        size_t contact = high > 0 ? high : lane->baseline_end;
        range_samples(plan, lane, contact, contact_point, &begin, &end);
        take(w, lane, 0, high > 0 ? low : contact, set);
        if (begin < end) take(w, lane, begin, end, set);
        set->z_low = lane->z[lane->baseline_end < lane->n ? lane->baseline_end / 2 : 0];
    }
    if (set->n > 1) {
        set->z_scale = set->end_z - w->fz[0];
        if (end < lane->n && end > 0) { /* the range ends before the turning point */
            set->end_z = lane->z[end - 1];
            set->end_d = mean_of_three(lane, end - 1);
        }
    }
}

/* --- start values --- */

enum { SCAN_POINTS = 28, SCAN_BLOCKS = 96, SCAN_STARTS = 3 };

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
        if (m->has_extra)
            shape.extra = plan->free_extra ? m->extra_range[2] : log(plan->setup.transition);
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

/* --- the fit --- */

static void set_problem(const struct curve_plan *plan, struct curve_work *w,
                        const struct fit_set *set, struct model_context *context,
                        struct fit_problem *p)
{
    const struct contact_model *m = plan->model;
    *p = (struct fit_problem){.n = set->n, .y = w->fy, .context = context};
    p->model = plan->force_space ? force_columns : lever_columns;
    for (size_t i = 0; i < set->n; i++) {
        w->ones[i] = 1.0;
        w->ramp[i] = (w->fz[i] - w->fz[0]) / set->z_scale;
        w->pull[i] = i >= set->contact ? -1.0 : 0.0;
    }
    p->linear[p->n_linear++] = w->ones;
    if (plan->baseline_order) p->linear[p->n_linear++] = w->ramp;
    if (m->pull) p->linear[p->n_linear++] = w->pull;
    p->low[0] = w->fz[0];
    p->high[0] = set->end_z;
    p->scale[0] = set->z_scale;
    p->n_theta = 1;
    /* l from far below an atom to far beyond any sample; kappa over the same decades */
    if (m->free_length)
        p->low[p->n_theta] = log(1e-22), p->high[p->n_theta] = log(1e6), p->scale[p->n_theta++] = 1;
    if (m->free_kappa)
        p->low[p->n_theta] = log(1e-15), p->high[p->n_theta] = log(1e15),
        p->scale[p->n_theta++] = 1;
    if (plan->free_extra)
        p->low[p->n_theta] = m->extra_range[0], p->high[p->n_theta] = m->extra_range[1],
        p->scale[p->n_theta++] = 1;
}

/* Minima between neighbouring samples: start again a sample or two to either side of the best. */
static void search_neighbours(struct curve_work *w, const struct fit_set *set,
                              const struct fit_problem *p, struct fit_result *best)
{
    double step = (w->fz[set->n - 1] - w->fz[0]) / (double)(set->n - 1);
    bool better = true;
    for (int round = 0; round < 4 && better; round++) {
        double start[FIT_MAX_THETA], from = best->theta[0];
        better = false;
        for (int hop = -3; hop <= 3; hop++) {
            struct fit_result found;
            if (hop == 0) continue;
            memcpy(start, best->theta, sizeof start);
            start[0] = fmin(fmax(from + hop * step, p->low[0]), p->high[0]);
            fit_search(p, w->fit, start, &found);
            if (!(found.sum_squares < best->sum_squares * (1.0 - 1e-12))) continue;
            *best = found;
            better = true;
        }
    }
}

static bool search(const struct curve_plan *plan, struct curve_work *w, const struct fit_set *set,
                   const struct fit_problem *p, struct fit_result *best)
{
    struct scan scan;
    struct fit_result found;
    int start[SCAN_STARTS];
    bool any = false;
    scan_blocks(plan, w, set, &scan);
    scan_contact_points(plan, set, &scan);
    int n = scan_best(&scan, start);
    for (int i = 0; i < n; i++) {
        /* a start far above the best never won in trials on noisy curves */
        if (i > 0 && scan.cost[start[i]] > 25.0 * scan.cost[start[0]]) break;
        fit_search(p, w->fit, scan.theta[start[i]], &found);
        if (!any || found.sum_squares < best->sum_squares) *best = found;
        any = true;
    }
    if (any && plan->model->kink) search_neighbours(w, set, p, best);
    return any && isfinite(best->sum_squares);
}

/* Each result is g.p + a S of the unknowns p and the turning point's weighted samples S. */
struct gradients {
    double g[COV_SIZE][FIT_MAX_ALL], a[COV_SIZE];
};

static void fill_gradients(const struct curve_plan *plan, const struct fit_problem *p,
                           const struct fit_set *set, const struct curve_work *w,
                           const struct lane *lane, double pull_m, struct gradients *out)
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
    if (plan->baseline_order) g[COV_PEAK][linear + 1] = -(lane->peak_z - w->fz[0]) / set->z_scale;
    for (size_t i = 0; i < n; i++) /* depth = z - Z0 - peak */
        g[COV_DEPTH][i] = -g[COV_CONTACT_POINT][i] - g[COV_PEAK][i];
}

static void propagate(const struct curve_plan *plan, const struct fit_problem *p,
                      const struct fit_result *r, const struct fit_set *set,
                      const struct curve_work *w, const struct lane *lane, double pull_m,
                      struct contact_fit *out)
{
    struct gradients q;
    double with[FIT_MAX_ALL], squares = 0;
    size_t n = p->n_theta + p->n_linear, m = 0;
    fill_gradients(plan, p, set, w, lane, pull_m, &q);
    /* those of the turning point's samples that are in the fit are its last ones */
    while (m < PEAK_SAMPLES && m < set->n && w->index[set->n - 1 - m] + PEAK_SAMPLES >= lane->n)
        m++;
    fit_covariance_with(p, w->fit, r, set->n - m, m, lane->peak_weight + PEAK_SAMPLES - m, with);
    for (int i = 0; i < PEAK_SAMPLES; i++)
        squares += lane->peak_weight[i] * lane->peak_weight[i];
    squares *= r->sum_squares / (double)r->degrees_of_freedom;
    for (int a = 0; a < COV_SIZE; a++)
        for (int b = 0; b < COV_SIZE; b++) {
            double sum = q.a[a] * q.a[b] * squares;
            for (size_t i = 0; i < n; i++) {
                sum += (q.a[a] * q.g[b][i] + q.a[b] * q.g[a][i]) * with[i];
                for (size_t j = 0; j < n; j++)
                    sum += q.g[a][i] * r->covariance[i][j] * q.g[b][j];
            }
            out->cov[a][b] = sum;
        }
}

/* The fitted baseline becomes the lane's. */
static void adopt_baseline(const struct curve_plan *plan, const struct fit_set *set,
                           const struct fit_problem *p, const struct fit_result *r,
                           struct curve_work *w, struct lane *lane)
{
    double slope = plan->baseline_order ? r->linear[1] / set->z_scale : 0.0;
    lane->offset += r->linear[0] + slope * (lane->z_ref - w->fz[0]);
    lane->slope += slope;
    /* offset at z_ref = c0 + c1 (z_ref - z_first)/scale */
    double far = (lane->z_ref - w->fz[0]) / set->z_scale, per = 1.0 / set->z_scale;
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
        while (end < lane->n && lane->z[end] < fit->contact_point)
            end++;
    attractive_samples(lane, &low, &high);
    if (high > 0 && low < end) end = low;
    lane->baseline_end = end;
    size_t used = end > 40 ? end - end / 20 : end;
    if (used < 4) return;
    double rest = 0;
    for (size_t i = 0; i < used; i++) {
        double d = lane_deflection(lane, i);
        rest += d * d;
    }
    lane->noise = sqrt(rest / (double)(used - 1 - (size_t)plan->baseline_order));
}

static void describe_residual(const struct fit_problem *p, struct curve_work *w,
                              const struct fit_set *set, const struct fit_result *r,
                              struct contact_fit *out)
{
    double rest = 0;
    size_t first, n;
    fit_values(p, w->fit, r, w->reduced);
    const double *position = p->model == force_columns ? w->indent : w->fz;
    for (first = 0; first < set->n && !(position[first] > r->theta[0]); first++)
        continue;
    if (set->contact > 0) first = set->contact;
    for (size_t i = first; i < set->n; i++) {
        double e = w->fy[i] - w->reduced[i];
        rest += e * e;
    }
    n = set->n - first;
    out->residual_m = n ? sqrt(rest / (double)n) : NAN;
    out->used = set->n;
    /* a contact of a handful of samples can be fitted by anything */
    out->at_bound = n < 5 || r->theta[0] <= w->fz[1];
    for (size_t k = 1; k < p->n_theta; k++)
        if (r->theta[k] <= p->low[k] || r->theta[k] >= p->high[k]) out->at_bound = true;
}

static void keep_trace(struct curve_work *w, const struct lane *lane, const struct fit_set *set)
{
    for (size_t k = 0; k < set->n; k++) {
        size_t i = w->index[k];
        w->in_fit[i] = 1;
        /* fit values are relative to the baseline that was taken off before the fit */
        w->model[i] = w->reduced[k] + lane->offset + lane->slope * (lane->z[i] - lane->z_ref);
    }
}

/* One fit over the samples of `set`. */
static bool fit_once(const struct curve_plan *plan, struct curve_work *w, struct lane *lane,
                     const struct fit_set *set, bool last, struct contact_fit *out)
{
    struct model_context context = {plan, w, set};
    struct fit_problem p;
    struct fit_result r = {.converged = false};
    set_problem(plan, w, set, &context, &p);
    if (!fit_prepare(&p, w->fit) || !search(plan, w, set, &p, &r)) return false;
    fit_finish(&p, w->fit, &r);
    double pull_m = plan->model->pull ? r.linear[p.n_linear - 1] : 0.0;
    struct contact_shape shape = shape_at(plan, r.theta);
    out->length = length_at(plan, r.theta);
    out->kappa = shape.kappa;
    out->pull_n = pull_m * plan->setup.spring_n_per_m;
    out->sample.extra = shape.extra;
    plan->model->physics(&plan->setup, out->length, out->kappa, out->pull_n, &out->sample);
    out->contact_point = r.theta[0] + (plan->force_space ? 0.0 : pull_m);
    out->converged = r.converged && !r.singular;
    out->done = true;
    propagate(plan, &p, &r, set, w, lane, pull_m, out);
    describe_residual(&p, w, set, &r, out);
    if (last) {
        if (w->tracing) keep_trace(w, lane, set);
        adopt_baseline(plan, set, &p, &r, w, lane);
        adopt_noise(plan, out, lane);
    }
    return true;
}

void contact_fit_run(const struct curve_plan *plan, struct curve_work *w, struct lane *lane,
                     struct contact_fit *out, uint32_t *flags)
{
    struct fit_set set;
    bool by_depth = plan->from_is == RANGE_INDENTATION || plan->to_is == RANGE_INDENTATION;
    *out = (struct contact_fit){.sample = {NAN, NAN, NAN}, .contact_point = NAN};
    if (plan->model->adhesive && lane_pull_off(lane) == lane->n) {
        *flags |= FLAG(no_adhesion_to_fit);
        return;
    }
    choose_samples(plan, w, lane, NAN, &set);
    if (set.n < SMALLEST_CURVE / 2 || !fit_once(plan, w, lane, &set, !by_depth, out)) {
        *flags |= FLAG(fit_failed);
        return;
    }
    if (by_depth) {
        choose_samples(plan, w, lane, out->contact_point, &set);
        if (set.n < SMALLEST_CURVE / 2 || !fit_once(plan, w, lane, &set, true, out))
            *flags |= FLAG(fit_failed);
    }
    if (!out->converged) *flags |= FLAG(fit_failed);
    if (out->at_bound) *flags |= FLAG(at_bound);
}
