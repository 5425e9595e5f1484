/* The contact model as columns of a least-squares problem over the fit set. */
#include "curve/fit_private.h"
#include "curve/passes.h"

#include <math.h>

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

/* First sample that the model touches. z may jitter, so look rather than bisect. */
static size_t first_in_contact(const struct model_context *c, const double *position, double z0)
{
    if (c->plan->model->adhesive) return c->set->contact;
    return pass_first_above(position, 0, c->set->n, z0);
}

static void lever_columns(const double *theta, struct fit_columns *out, void *context)
{
    const struct model_context *c = context;
    const struct contact_model *m = c->plan->model;
    struct curve_work *w = c->w;
    struct contact_shape shape = shape_at(c->plan, theta);
    double l = length_at(c->plan, theta), per_l = 1.0 / l;
    size_t n = c->set->n, first = first_in_contact(c, c->set->z, theta[0]), next = 1;
    struct contact_columns y = w->columns, part = columns_from(&y, first);
    out->first = first;
    for (size_t i = first; i < n; i++)
        w->reduced[i] = (c->set->z[i] - theta[0]) * per_l;
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
    size_t n = c->set->n, first = first_in_contact(c, c->set->indent, theta[0]), next = 1;
    struct contact_columns f = w->columns, part = columns_from(&f, first);
    out->first = first;
    for (size_t i = first; i < n; i++)
        w->reduced[i] = (c->set->indent[i] - theta[0]) * per_l;
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

void fit_set_problem(const struct curve_plan *plan, struct curve_work *w, const struct fit_set *set,
                     struct model_context *context, struct fit_problem *p)
{
    const struct contact_model *m = plan->model;
    *p = (struct fit_problem){.n = set->n, .y = set->y, .context = context};
    p->model = plan->force_space ? force_columns : lever_columns;
    double per = 1.0 / set->z_scale;
    for (size_t i = 0; i < set->n; i++) {
        w->ones[i] = 1.0;
        w->ramp[i] = (set->z[i] - set->z[0]) * per;
    }
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
