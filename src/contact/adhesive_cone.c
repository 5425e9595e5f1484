/* Adhesive cone in the manner of JKR. With the contact radius at zero force a0 = 32 w tan^2/(pi
 * E*), tan that of the half angle, and s = sqrt(a/a0): u = delta/l = s^2 - s/2,   l = (pi/2) a0/tan
 * = 16 w tan/E* f = F/P     = s^4 - s^3,   P = (2/pi) E* tan l^2 = (256/27) F_ad so the lever's
 * displacement is a polynomial in s: t = u + kappa f, kappa = P/(k l) = 32 w tan^2/(pi k), in which
 * E* does not enter. The stable branch ends where dt/ds = 0: between the force minimum, s = 3/4
 * (soft lever), and s = 1/4 (stiff lever), where a ninth of it is left. */
#include "contact/contact.h"

#include <math.h>

static double ramp(double s, double kappa)
{
    return s * (s - 0.5) + kappa * s * s * s * (s - 1.0);
}

static double ramp_slope(double s, double kappa)
{
    return 2.0 * s - 0.5 + kappa * s * s * (4.0 * s - 3.0);
}

static double ramp_curvature(double s, double kappa)
{
    return 2.0 + kappa * s * (12.0 * s - 6.0);
}

/* Newton from above; the slope is convex there. */
static double branch_end(double kappa)
{
    double s = 0.75;
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

/* A point right of the root: u alone bounds s from above where f >= 0, s >= 1. */
static double right_of_root(double t, double kappa)
{
    double s = 1.0;
    if (t > 0.5) s = 0.25 + sqrt(0.0625 + t);
    while (ramp(s, kappa) < t)
        s *= 1.5;
    return s;
}

/* From deep to shallow: t(s) bends downwards, so the tangent at the last root meets t right of the
 * next one. */
static void cone_lever(const struct contact_shape *shape, const double *t, size_t n,
                       struct contact_columns *out)
{
    double kappa = shape->kappa, end = branch_end(kappa), t_end = ramp(end, kappa);
    double s = 0.0, t_of_s = -INFINITY;
    for (size_t k = n; k-- > 0;) {
        if (!(t[k] > t_end)) {
            out->value[k] = kappa * end * end * end * (end - 1.0);
            out->slope[k] = out->by_lnkappa[k] = 0.0;
            continue;
        }
        double start = t[k] <= t_of_s ? s + (t[k] - t_of_s) / ramp_slope(s, kappa) : 0.0;
        s = root_from(start > end ? start : right_of_root(t[k], kappa), t[k], kappa, end);
        t_of_s = t[k];
        double f = s * s * s * (s - 1.0), f_s = s * s * (4.0 * s - 3.0), u_s = 2.0 * s - 0.5;
        double per = kappa / (u_s + kappa * f_s);
        out->value[k] = kappa * f;
        out->slope[k] = f_s * per;
        out->by_lnkappa[k] = f * u_s * per; /* dy/dk at fixed t = f - kappa f_s f / t_s */
    }
}

/* At fixed indentation: u = s^2 - s/2 has its root in closed form. */
static void cone_force(const struct contact_shape *shape, const double *u, size_t n,
                       struct contact_columns *out)
{
    (void)shape;
    for (size_t i = 0; i < n; i++) {
        bool held = u[i] > -0.0625;
        double s = 0.25 + (held ? sqrt(0.0625 + u[i]) : 0.0);
        out->value[i] = s * s * s * (s - 1.0);
        out->slope[i] = held ? s * s * (4.0 * s - 3.0) / (2.0 * s - 0.5) : 0.0;
    }
}

static void cone_physics(const struct contact_setup *s, double length_m, double kappa,
                         double pull_n, struct contact_sample *out)
{
    double slope = tan(s->half_angle_rad), stiffness = M_PI * kappa * s->spring_n_per_m;
    (void)pull_n;
    out->reduced_modulus_pa = stiffness / (2.0 * slope * length_m);
    out->work_j_per_m2 = stiffness / (32.0 * slope * slope);
}

static void cone_scales(const struct contact_setup *s, const struct contact_sample *sample,
                        double *length_m, double *kappa, double *pull_n)
{
    double slope = tan(s->half_angle_rad), work = sample->work_j_per_m2;
    *length_m = 16.0 * work * slope / sample->reduced_modulus_pa;
    *kappa = 32.0 * work * slope * slope / (M_PI * s->spring_n_per_m);
    *pull_n = 0.0;
}

/* The pull-off is (27/256) P: it and the deflection give f, which grows from s = 3/4 on and is
 * convex there; then delta = l u gives l. */
static void cone_match(const struct contact_setup *s, double x_m, double deflection_m,
                       double pull_m, double *length_m, double *kappa)
{
    (void)s;
    double force_m = 256.0 / 27.0 * pull_m, f = deflection_m / force_m, root = 1.0;
    if (f > 0) root = 1.0 + sqrt(sqrt(f)); /* (1 + f^(1/4))^4 - (1 + f^(1/4))^3 > f */
    for (int i = 0; i < 200; i++) {
        double step = (root * root * root * (root - 1.0) - f) / (root * root * (4.0 * root - 3.0));
        root -= step;
        if (fabs(step) <= 1e-12 * root) break;
    }
    *length_m = (x_m - deflection_m) / (root * (root - 0.5));
    *kappa = force_m / *length_m;
}

static void cone_state(const struct contact_setup *s, const struct contact_sample *sample,
                       double depth_m, struct contact_state *out)
{
    double length, kappa, pull_n, f, slope, unused;
    struct contact_shape shape = {.setup = s};
    struct contact_columns columns = {&f, &slope, &unused, NULL};
    cone_scales(s, sample, &length, &kappa, &pull_n);
    double u = depth_m / length, stiffness = kappa * s->spring_n_per_m; /* P/l */
    *out = (struct contact_state){0};
    if (u < -0.0625 * (1.0 + 1e-12)) return;
    cone_force(&shape, &u, 1, &columns);
    double root = 0.25 + sqrt(fmax(0.0625 + u, 0.0));
    out->force_n = stiffness * length * f;
    out->stiffness_n_per_m = stiffness * slope;
    out->contact_radius_m = root * root * 2.0 / M_PI * tan(s->half_angle_rad) * length;
}

const struct contact_model contact_adhesive_cone = {
    .name = "adhesive_cone",
    .title = "adhesive cone (JKR): soft, strongly adhesive contacts of a sharp tip",
    .formula = "F = (pi/2) E* a^2/tan(half angle) - sqrt(8 pi E* w a^3), delta = (pi/2) a/tan(half "
               "angle) - sqrt(2 pi a w/E*)",
    .source =
        "D. Maugis, M. Barquins, J. Phys. Lett. (Paris) 42 (1981) L95 (the equations are derived "
        "and checked, the attribution is from memory), after K. L. Johnson, K. Kendall, A. D. "
        "Roberts, Proc. R. Soc. A 324 (1971) 301",
    .limits =
        "adhesion of short range against the stretch of the contact, as for jkr; contact radius "
        "at pull-off, 18 w tan^2(half angle)/(pi E*), large against the apex radius; half angle "
        "from the axis to the side",
    .needs = NEEDS(tip_half_angle),
    .segments = SEGMENT_RETRACT,
    .adhesive = true,
    .bare = &contact_cone,
    .end_share = 1.0 / 9.0,
    .free_length = true,
    .free_kappa = true,
    .modulus_power = {-1.0, 1.0},
    .work_power = {0.0, 1.0},
    .force = cone_force,
    .lever = cone_lever,
    .physics = cone_physics,
    .scales = cone_scales,
    .match = cone_match,
    .state = cone_state,
};
