/* JKR sphere. With the contact radius at zero force a0, a0^3 = 6 pi w R^2 / K, K = 4/3 E*, and
 * s = sqrt(a / a0):
 *     u = delta / l = s^4 - 2/3 s,   l = a0^2 / R
 *     f = F / P     = s^6 - s^3,     P = 4 F_ad = 6 pi w R
 * so the lever's displacement is a polynomial in s: t = u + kappa f, kappa = P / (k l).
 * K = kappa k / sqrt(R l). The stable branch ends where dt/ds = 0. */
#include "contact/contact.h"

#include <math.h>

/* dt/ds and its derivative. */
static double ramp_slope(double s, double kappa)
{
    double s2 = s * s, s3 = s2 * s;
    return 4.0 * s3 - 2.0 / 3.0 + kappa * s2 * (6.0 * s3 - 3.0);
}

static double ramp_curvature(double s, double kappa)
{
    double s2 = s * s;
    return 12.0 * s2 + kappa * s * (30.0 * s2 * s - 6.0);
}

static double ramp(double s, double kappa)
{
    double s3 = s * s * s;
    return s * (s3 - 2.0 / 3.0) + kappa * s3 * (s3 - 1.0);
}

/* End of the stable branch: between the fixed-displacement end, s^3 = 1/6 (kappa -> 0), and the
 * force minimum, s^3 = 1/2 (kappa -> infinity). Newton from above; the slope is convex there. */
static double branch_end(double kappa)
{
    double s = 0.79370052598409973738; /* (1/2)^(1/3) */
    for (int i = 0; i < 100; i++) {
        double step = ramp_slope(s, kappa) / ramp_curvature(s, kappa);
        s -= step;
        if (fabs(step) <= 1e-15 * s) break;
    }
    return s;
}

/* Root of ramp(s) = t right of the branch's end: convex, so Newton from the right falls on it. */
static double root_from(double s, double t, double kappa, double end)
{
    for (int i = 0; i < 200; i++) {
        double step = (ramp(s, kappa) - t) / ramp_slope(s, kappa);
        s -= step;
        if (s < end) s = end + 0.5 * (s + step - end);
        if (fabs(step) <= 1e-9 * s) break;
    }
    return s;
}

/* A point right of the root: t >= s^4 - 2/3 s alone bounds s from above when f >= 0 (s >= 1). */
static double right_of_root(double t, double kappa)
{
    double s = 1.0;
    if (t > 1.0 / 3.0) s = sqrt(sqrt(t + 1.0)) + 1.0;
    while (ramp(s, kappa) < t)
        s *= 1.5;
    return s;
}

static void jkr_lever(const struct contact_shape *shape, const double *t, size_t n,
                      struct contact_columns *out)
{
    double kappa = shape->kappa, *y = out->value, *y_t = out->slope, *y_lnkappa = out->by_lnkappa;
    double end = branch_end(kappa), t_end = ramp(end, kappa), f_end = end * end * end;
    f_end *= f_end - 1.0;
    double s = 0.0, t_of_s = -1.0;
    for (size_t k = n; k-- > 0;) { /* from deep to shallow: the last root lies right of the next */
        if (!(t[k] > t_end)) {
            y[k] = kappa * f_end;
            y_t[k] = y_lnkappa[k] = 0.0;
            continue;
        }
        double start = s > 0 && t[k] <= t_of_s ? s : right_of_root(t[k], kappa);
        s = root_from(start, t[k], kappa, end);
        t_of_s = t[k];
        double s2 = s * s, s3 = s2 * s, f = s3 * (s3 - 1.0);
        double f_s = s2 * (6.0 * s3 - 3.0), u_s = 4.0 * s3 - 2.0 / 3.0;
        double t_s = u_s + kappa * f_s;
        y[k] = kappa * f;
        y_t[k] = kappa * f_s / t_s;
        y_lnkappa[k] = kappa * f * u_s / t_s; /* dy/dk at fixed t = f - kappa f_s f / t_s */
    }
}

/* Force at fixed indentation: the branch that a stiff lever follows, down to s^3 = 1/6. */
static void jkr_force(const struct contact_shape *shape, const double *u, size_t n,
                      struct contact_columns *out)
{
    (void)shape;
    double *f = out->value, *slope = out->slope;
    const double end = branch_end(0.0), u_end = ramp(end, 0.0), e3 = end * end * end;
    for (size_t i = 0; i < n; i++) {
        if (!(u[i] > u_end)) {
            f[i] = e3 * (e3 - 1.0);
            slope[i] = 0.0;
            continue;
        }
        double s = root_from(right_of_root(u[i], 0.0), u[i], 0.0, end), s3 = s * s * s;
        f[i] = s3 * (s3 - 1.0);
        slope[i] = s * s * (6.0 * s3 - 3.0) / (4.0 * s3 - 2.0 / 3.0);
    }
}

static void jkr_physics(const struct contact_setup *s, double length_m, double kappa, double pull_n,
                        struct contact_sample *out)
{
    (void)pull_n;
    out->reduced_modulus_pa = 0.75 * kappa * s->spring_n_per_m / sqrt(s->radius_m * length_m);
    out->work_j_per_m2 = kappa * s->spring_n_per_m * length_m / (6.0 * M_PI * s->radius_m);
}

static void jkr_scales(const struct contact_setup *s, const struct contact_sample *sample,
                       double *length_m, double *kappa, double *pull_n)
{
    double big_k = 4.0 / 3.0 * sample->reduced_modulus_pa, work = sample->work_j_per_m2;
    double a0 = cbrt(6.0 * M_PI * work * s->radius_m * s->radius_m / big_k);
    *length_m = a0 * a0 / s->radius_m;
    *kappa = 6.0 * M_PI * work * s->radius_m / (s->spring_n_per_m * *length_m);
    *pull_n = 0.0;
}

/* a(F) in closed form: (a/a0)^3 = (F + 2 F_ad + 2 sqrt(F_ad (F + F_ad))) / (4 F_ad) gives s at the
 * matched point, and delta = l (s^4 - 2/3 s) gives l. */
static void jkr_match(const struct contact_setup *s, double x_m, double deflection_m, double pull_m,
                      double *length_m, double *kappa)
{
    (void)s;
    double cube = (deflection_m + 2.0 * pull_m + 2.0 * sqrt(pull_m * (deflection_m + pull_m))) /
                  (4.0 * pull_m);
    double a = cbrt(cube), u = a * a - 2.0 / 3.0 * sqrt(a);
    *length_m = (x_m - deflection_m) / u;
    *kappa = 4.0 * pull_m / *length_m;
}

static void jkr_state(const struct contact_setup *s, const struct contact_sample *sample,
                      double depth_m, struct contact_state *out)
{
    double length, kappa, pull_n, end = branch_end(0.0);
    jkr_scales(s, sample, &length, &kappa, &pull_n);
    double u = depth_m / length, scale = kappa * s->spring_n_per_m; /* P / l */
    *out = (struct contact_state){0};
    if (u < ramp(end, 0.0) * (1.0 + 1e-12)) return;
    double root = u <= ramp(end, 0.0) ? end : root_from(right_of_root(u, 0.0), u, 0.0, end);
    double s3 = root * root * root;
    out->force_n = scale * length * s3 * (s3 - 1.0);
    out->stiffness_n_per_m = scale * root * root * (6.0 * s3 - 3.0) / (4.0 * s3 - 2.0 / 3.0);
    out->contact_radius_m = root * root * sqrt(length * s->radius_m);
}

const struct contact_model contact_jkr = {
    .name = "jkr",
    .title = "JKR sphere: soft, large, strongly adhesive contacts",
    .formula = "F = 4 E* a^3/(3 R) - sqrt(8 pi E* w a^3), delta = a^2/R - sqrt(2 pi a w/E*)",
    .source =
        "K. L. Johnson, K. Kendall, A. D. Roberts, Proc. R. Soc. A 324 (1971) 301; D. Maugis, J. "
        "Colloid Interface Sci. 150 (1992) 243",
    .limits =
        "Tabor parameter above about 5 (K. L. Johnson, J. A. Greenwood, J. Colloid Interface Sci. "
        "192 (1997) 326, from memory); contact radius well below R",
    .needs = NEEDS(tip_radius),
    .segments = SEGMENT_RETRACT,
    .adhesive = true,
    .paraboloid = true,
    .free_length = true,
    .free_kappa = true,
    .modulus_power = {-0.5, 1.0},
    .work_power = {1.0, 1.0},
    .force = jkr_force,
    .lever = jkr_lever,
    .physics = jkr_physics,
    .scales = jkr_scales,
    .match = jkr_match,
    .state = jkr_state,
};
