/* The contact model as columns of a least-squares problem over the fit set. */
#include "base/lanes.h"
#include "curve/fit_private.h"
#include "curve/passes.h"

#include <math.h>
#include <string.h>

double length_at(const struct curve_plan *plan, const double *theta)
{
    return plan->model->free_length ? exp(theta[1]) : plan->model->fixed_length(&plan->setup);
}

struct contact_shape shape_at(const struct curve_plan *plan, const double *theta)
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

/* First sample that the model touches. z may jitter, then all are looked at; else it is close to
 * where the last evaluation found it. */
static size_t first_in_contact(struct model_context *c, const double *position, double z0)
{
    size_t n = c->set->n, i = c->near;
    if (c->plan->model->adhesive) return c->set->contact;
    if (i == 0 || position != c->set->z || !c->set->ascends)
        return c->near = pass_first_above(position, 0, n, z0);
    while (i > 0 && position[i - 1] > z0)
        i--;
    while (i < n && !(position[i] > z0))
        i++;
    return c->near = i;
}

LANES_CLONES void fit_reduce(const double *position, double z0, double per_l, size_t first,
                             size_t n, double *out)
{
    for (size_t i = first; i < n; i++)
        out[i] = (position[i] - z0) * per_l;
}

/* Columns of A v(x) over [first, n): itself, by Z0, by ln l. */
LANES_CLONES static void columns_of(const struct contact_columns *c, const double *x, double scale,
                                    double by_point, size_t first, size_t n, double *restrict f,
                                    double *restrict z0, double *restrict length)
{
    const double *v = c->value, *s = c->slope;
    for (size_t i = first; i < n; i++) {
        f[i] = scale * v[i];
        z0[i] = by_point * s[i];
    }
    for (size_t i = first; length && i < n; i++)
        length[i] = scale * (v[i] - x[i] * s[i]);
}

LANES_CLONES static void scaled(const double *v, double scale, size_t first, size_t n, double *out)
{
    for (size_t i = first; i < n; i++)
        out[i] = scale * v[i];
}

/* Both spaces: l y(t; kappa), t = (z - Z0)/l; or kappa l f(u), u = (indent - Z0)/l. */
static void columns_in(struct model_context *c, const double *theta, bool force_space,
                       struct fit_columns *out)
{
    const struct contact_model *m = c->plan->model;
    struct curve_work *w = c->w;
    struct contact_shape shape = shape_at(c->plan, theta);
    const double *position = force_space ? c->set->indent : c->set->z;
    double l = length_at(c->plan, theta), share = force_space ? shape.kappa : 1.0;
    size_t n = c->set->n, first = first_in_contact(c, position, theta[0]), next = 1;
    struct contact_columns y = w->columns, part = columns_from(&y, first);
    out->first = first;
    fit_reduce(position, theta[0], 1.0 / l, first, n, w->reduced);
    (force_space ? m->force : m->lever)(&shape, w->reduced + first, n - first, &part);
    columns_of(&y, w->reduced, share * l, -share, first, n, out->f, out->jacobian[0],
               m->free_length ? out->jacobian[next] : NULL);
    next += m->free_length;
    if (m->free_kappa)
        scaled(force_space ? y.value : y.by_lnkappa, share * l, first, n, out->jacobian[next++]);
    if (c->plan->free_extra) scaled(y.by_extra, share * l, first, n, out->jacobian[next]);
}

static void lever_columns(const double *theta, struct fit_columns *out, void *context)
{
    columns_in(context, theta, false, out);
}

static void force_columns(const double *theta, struct fit_columns *out, void *context)
{
    columns_in(context, theta, true, out);
}

/* Z0 of a branch that ends at theta[0]. */
static void end_to_point(const struct curve_plan *plan, const double *theta,
                         double own[FIT_MAX_THETA], struct contact_branch_end *end)
{
    memmove(own, theta, FIT_MAX_THETA * sizeof *own);
    struct contact_shape shape = shape_at(plan, theta);
    if (plan->force_space) shape.kappa = 0.0;
    plan->model->branch_end(&shape, end);
    own[0] = theta[0] - length_at(plan, theta) * end->t;
}

/* The columns with the branch's end in the place of Z0: dZ0 = d end - d(l t_end). */
static void end_columns(const double *theta, struct fit_columns *out, void *context)
{
    struct model_context *c = context;
    double own[FIT_MAX_THETA];
    struct contact_branch_end end;
    end_to_point(c->plan, theta, own, &end);
    columns_in(c, own, c->plan->force_space, out);
    double l = length_at(c->plan, theta),
           by[] = {0, l * end.t, l * end.by_lnkappa, l * end.by_extra};
    for (size_t j = 1; j < 3u + c->plan->free_extra; j++)
        for (size_t i = out->first; i < c->set->n; i++)
            out->jacobian[j][i] -= by[j] * out->jacobian[0][i];
}

bool fit_by_end(const struct curve_plan *plan)
{
    return plan->free_extra && plan->model->branch_end;
}

void fit_search_end(const struct fit_problem *p, struct curve_work *w, const double *start,
                    struct fit_result *out)
{
    const struct model_context *c = p->context;
    const double *position = c->plan->force_space ? c->set->indent : c->set->z;
    struct fit_problem q = *p;
    struct contact_branch_end end;
    double from[FIT_MAX_THETA], step = c->set->z_scale / (double)c->set->n;
    q.model = end_columns;
    q.low[0] = -INFINITY, q.high[0] = position[c->set->contact] - 0.5 * step;
    end_to_point(c->plan, start, from, &end);
    from[0] = fmin(2.0 * start[0] - from[0], q.high[0]); /* Z0 + l t_end */
    fit_search(&q, w->fit, from, out);
    end_to_point(c->plan, out->theta, out->theta, &end);
}

/* The linear columns: one, and z from 0 to about 1. */
LANES_CLONES static void baseline_columns(const double *z, double per, size_t n, double *ones,
                                          double *ramp)
{
    for (size_t i = 0; i < n; i++) {
        ones[i] = 1.0;
        ramp[i] = (z[i] - z[0]) * per;
    }
}

void fit_set_problem(const struct curve_plan *plan, struct curve_work *w, const struct fit_set *set,
                     struct model_context *context, struct fit_problem *p)
{
    const struct contact_model *m = plan->model;
    *p = (struct fit_problem){.n = set->n, .y = set->y, .context = context};
    p->model = plan->force_space ? force_columns : lever_columns;
    baseline_columns(set->z, 1.0 / set->z_scale, set->n, w->ones, w->ramp);
    for (size_t i = 0; m->pull && i < set->n; i++)
        w->pull[i] = i >= set->contact ? -1.0 : 0.0;
    p->linear[p->n_linear++] = w->ones;
    if (plan->baseline_order) p->linear[p->n_linear++] = w->ramp;
    if (m->pull) p->linear[p->n_linear++] = w->pull;
    p->low[0] = set->z[0];
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
