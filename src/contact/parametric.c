/* Roots of u(s) + kappa f(s) = t, and what follows from them. */
#include "contact/parametric.h"

#include "base/lanes.h"
#include "contact/parametric_table.h"

#include <math.h>

/* A step that leaves the bracket, or is no number, is replaced by the bracket's middle (in
 * logarithm). */
static double inside(double next, double s, double low, double high)
{
    if (next > low && next < high) return next;
    if (isinf(high)) return 2.0 * s;
    return low > 0 ? sqrt(low * high) : 0.5 * high;
}

/* Newton in s between the largest s known to lie before the root and the smallest beyond it. The
 * last step, no longer than a billionth of s, is carried over by the slopes: that leaves
 * rounding only. */
static double root_of(const struct parametric *p, double t, double kappa, double start,
                      struct parametric_point *at)
{
    double s = start, low = 0.0, high = INFINITY;
    for (int i = 0; i < 200; i++) {
        *at = p->at(p->number, s);
        double excess = at->u + kappa * at->f - t;
        double step = excess / (at->u_s * (1.0 + kappa * at->f_u));
        if (fabs(step) <= 1e-9 * s) {
            at->u -= at->u_s * step;
            at->f -= at->f_u * at->u_s * step;
            at->f_u -= at->f_us * step;
            return s - step;
        }
        if (excess > 0)
            high = s;
        else
            low = s;
        if (!(high - low > 4e-16 * s)) break; /* at a joint of the profile, or no number */
        s = inside(s - step, s, low, high);
    }
    return s;
}

/* One sample after the other. */
static void lever_each(const struct parametric *p, double kappa, const double *t, size_t n,
                       struct parametric_track *track, struct contact_columns *out)
{
    double *y = out->value, *y_t = out->slope, *y_lnkappa = out->by_lnkappa;
    for (size_t i = 0; i < n; i++) {
        if (!(t[i] > 0)) {
            y[i] = y_t[i] = y_lnkappa[i] = 0.0;
            continue;
        }
        bool near = t[i] < 2.0 * track->t && track->t < 2.0 * t[i];
        double start = near ? track->s + track->s_t * (t[i] - track->t) : 0.0;
        if (!(start > 0)) start = p->guess(p->number, t[i], kappa);
        struct parametric_point at;
        double s = root_of(p, t[i], kappa, start, &at);
        double grow = kappa * at.f_u, t_u = 1.0 + grow;
        *track = (struct parametric_track){t[i], s, 1.0 / (at.u_s * t_u), 0.0};
        y[i] = kappa * at.f;
        y_t[i] = grow / t_u;
        y_lnkappa[i] = y[i] / t_u; /* dy/dkappa at fixed t = f - kappa f_u dy/dkappa */
    }
}

void parametric_lever(const struct parametric *p, double kappa, const double *t, size_t n,
                      struct contact_columns *out)
{
    struct parametric_track track = {.t = INFINITY};
    for (size_t i = 0; i < n; i += LANES) {
        size_t m = n - i < LANES ? n - i : LANES;
        struct contact_columns at = {out->value + i, out->slope + i, out->by_lnkappa + i, NULL};
        if (m == LANES && p->table && parametric_table_four(p, kappa, t + i, &track, &at)) continue;
        lever_each(p, kappa, t + i, m, &track, &at);
    }
}

static struct parametric_point point_at(const struct parametric *p, double u)
{
    struct parametric_point at = {0};
    if (u > 0) root_of(p, u, 0.0, p->guess(p->number, u, 0.0), &at);
    return at;
}

void parametric_force(const struct parametric *p, const double *u, size_t n,
                      struct contact_columns *out)
{
    double s = 0.0, u_of_s = INFINITY, s_u = 0.0;
    for (size_t i = 0; i < n; i++) {
        struct parametric_point at = {0};
        if (u[i] > 0) {
            bool near = u[i] < 2.0 * u_of_s && u_of_s < 2.0 * u[i];
            double start = near ? s + s_u * (u[i] - u_of_s) : 0.0;
            if (!(start > 0)) start = p->guess(p->number, u[i], 0.0);
            s = root_of(p, u[i], 0.0, start, &at);
            u_of_s = u[i];
            s_u = 1.0 / at.u_s;
        }
        out->value[i] = at.f;
        out->slope[i] = at.f_u;
    }
}

void parametric_physics(const struct parametric *p, const struct contact_setup *s, double kappa,
                        struct contact_sample *out)
{
    out->reduced_modulus_pa = kappa * s->spring_n_per_m * p->length_m / p->area_m2;
    out->work_j_per_m2 = NAN;
}

void parametric_scales(const struct parametric *p, const struct contact_setup *s,
                       const struct contact_sample *sample, double *length_m, double *kappa,
                       double *pull_n)
{
    *length_m = p->length_m;
    *kappa = sample->reduced_modulus_pa * p->area_m2 / (s->spring_n_per_m * p->length_m);
    *pull_n = 0.0;
}

void parametric_match(const struct parametric *p, double x_m, double deflection_m, double *length_m,
                      double *kappa)
{
    *length_m = p->length_m;
    *kappa = deflection_m / (p->length_m * point_at(p, (x_m - deflection_m) / p->length_m).f);
}

void parametric_state(const struct parametric *p, const struct contact_sample *sample,
                      double depth_m, struct contact_state *out)
{
    struct parametric_point at = point_at(p, depth_m / p->length_m);
    out->force_n = sample->reduced_modulus_pa * p->area_m2 * at.f;
    out->contact_radius_m = 0.5 * p->area_m2 / p->length_m * at.f_u;
    out->stiffness_n_per_m = 2.0 * sample->reduced_modulus_pa * out->contact_radius_m;
}
