/* Roots of u(s) + kappa f(s) = t, and what follows from them. */
#include "contact/parametric.h"

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
static void lever_each(const struct by_points *curve, const double *t, size_t n,
                       struct contact_columns *out)
{
    const struct parametric *p = curve->context;
    double kappa = curve->kappa, *y = out->value, *y_t = out->slope, *y_lnkappa = out->by_lnkappa;
    double s = 0.0, s_t = 0.0, t_of_s = INFINITY; /* of the last sample */
    for (size_t i = 0; i < n; i++) {
        if (!(t[i] > 0)) {
            y[i] = y_t[i] = y_lnkappa[i] = 0.0;
            continue;
        }
        bool near = t[i] < 2.0 * t_of_s && t_of_s < 2.0 * t[i];
        double start = near ? s + s_t * (t[i] - t_of_s) : 0.0;
        if (!(start > 0)) start = p->guess(p->number, t[i], kappa);
        struct parametric_point at;
        s = root_of(p, t[i], kappa, start, &at);
        double grow = kappa * at.f_u, t_u = 1.0 + grow;
        t_of_s = t[i], s_t = 1.0 / (at.u_s * t_u);
        y[i] = kappa * at.f;
        y_t[i] = grow / t_u;
        y_lnkappa[i] = y[i] / t_u; /* dy/dkappa at fixed t = f - kappa f_u dy/dkappa */
    }
}

static void force_each(const struct by_points *curve, const double *u, size_t n,
                       struct contact_columns *out)
{
    const struct parametric *p = curve->context;
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

/* Parts of the samples: below the joint, then some as they come, then beyond it. */
static void along(const struct parametric *p, double kappa, points_each *each, const double *t,
                  size_t n, struct contact_columns *out)
{
    struct by_points below = {.points = p->points,
                              .of = p->number,
                              .kappa = kappa,
                              .few = 20,
                              .each = each,
                              .context = p},
                     mixed = below, beyond = below;
    size_t to = n, from = n;
    if (p->joint > 0) {
        struct parametric_point at = p->at(p->number, p->joint);
        mixed.points = NULL;
        beyond.points = p->points_beyond, beyond.end = p->joint, beyond.smallest = 1e-9;
        beyond.t_end = at.u + kappa * at.f;
        for (to = 0; to < n && !(t[to] > beyond.t_end);)
            to++;
        while (from > to && t[from - 1] > beyond.t_end)
            from--;
    }
    struct contact_columns part[3] = {*out, *out, *out};
    for (int i = 1; i < 3; i++) {
        size_t first = i == 1 ? to : from;
        part[i].value += first, part[i].slope += first;
        if (out->by_lnkappa) part[i].by_lnkappa += first;
    }
    by_points(&below, t, to, &part[0]);
    by_points(&mixed, t + to, from - to, &part[1]);
    by_points(&beyond, t + from, n - from, &part[2]);
}

void parametric_lever(const struct parametric *p, double kappa, const double *t, size_t n,
                      struct contact_columns *out)
{
    along(p, kappa, lever_each, t, n, out);
}

void parametric_force(const struct parametric *p, const double *u, size_t n,
                      struct contact_columns *out)
{
    struct contact_columns columns = {out->value, out->slope, NULL, NULL};
    along(p, 0.0, force_each, u, n, &columns);
}

static struct parametric_point point_at(const struct parametric *p, double u)
{
    struct parametric_point at = {0};
    if (u > 0) root_of(p, u, 0.0, p->guess(p->number, u, 0.0), &at);
    return at;
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
