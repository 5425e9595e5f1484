/* Roots of u + kappa f(u) = t. The left side grows with a slope of at least 1, so there is one
 * root, between 0 and t. */
#include "contact/from_force.h"

#include "contact/by_points.h"

#include <math.h>

/* Newton between the largest u known to lie before the root and the smallest beyond it. A last step
 * below 1e-8 of u leaves, squared, rounding only. */
static double root_of(const struct reduced_force *force, double t, double kappa, double start,
                      double *f, double *slope)
{
    double u = start, low = 0.0, high = t;
    for (int i = 0; i < 200; i++) {
        force->at(force->context, u, f, slope);
        double excess = u + kappa * *f - t, step = excess / (1.0 + kappa * *slope);
        if (excess > 0)
            high = u;
        else
            low = u;
        double next = u - step;
        if (!(next >= low && next <= high)) next = low > 0 ? sqrt(low * high) : 0.5 * high;
        step = u - next;
        u = next;
        if (fabs(step) <= 1e-8 * u) break;
    }
    force->at(force->context, u, f, slope);
    return u;
}

static void lever_each(const struct by_points *curve, const double *t, size_t n,
                       struct contact_columns *out)
{
    const struct reduced_force *force = curve->of;
    double kappa = curve->kappa, *y = out->value, *y_t = out->slope, *y_lnkappa = out->by_lnkappa;
    double u = 0.0, t_of_u = INFINITY, u_t = 0.0; /* last root, its t and du/dt */
    for (size_t i = 0; i < n; i++) {
        double f, slope, start;
        if (!(t[i] > 0)) {
            y[i] = y_t[i] = y_lnkappa[i] = 0.0;
            continue;
        }
        bool near = t[i] < 2.0 * t_of_u && t_of_u < 2.0 * t[i];
        start = near ? u + u_t * (t[i] - t_of_u) : t[i];
        if (!(start > 0 && start <= t[i])) start = t[i];
        u = root_of(force, t[i], kappa, start, &f, &slope);
        t_of_u = t[i];
        u_t = 1.0 / (1.0 + kappa * slope);
        y[i] = kappa * f;
        y_t[i] = kappa * slope * u_t;
        y_lnkappa[i] = y[i] * u_t; /* dy/dkappa at fixed t = f - kappa f' dy/dkappa */
    }
}

/* By p = sqrt(u), in which a force that begins as a power of u is smooth or nearly so. */
static void points(const void *of, const lanes *p, size_t groups, struct points_four *out)
{
    const struct reduced_force *force = of;
    for (size_t k = 0; k < groups; k++) {
        lanes u = p[k] * p[k], f, slope;
        for (int i = 0; i < LANES; i++) {
            double at, by_u;
            force->at(force->context, u[i], &at, &by_u);
            f[i] = at, slope[i] = by_u;
        }
        out[k] = (struct points_four){.u = u, .f = f, .u_p = 2.0 * p[k], .f_p = 2.0 * p[k] * slope};
    }
}

void from_force_lever(const struct reduced_force *force, double kappa, const double *t, size_t n,
                      struct contact_columns *out)
{
    struct by_points curve = {
        .points = points, .of = force, .kappa = kappa, .few = 8, .each = lever_each};
    by_points(&curve, t, n, out);
}

void from_force_force(const struct reduced_force *force, const double *u, size_t n,
                      struct contact_columns *out)
{
    for (size_t i = 0; i < n; i++) {
        out->value[i] = out->slope[i] = 0.0;
        if (u[i] > 0) force->at(force->context, u[i], &out->value[i], &out->slope[i]);
    }
}
