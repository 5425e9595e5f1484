/* Indenters whose force is a power of the indentation, F = A delta^p, without adhesion.
 * Length l = (k/A)^(1/(p-1)), so that k l = A l^p: then kappa = 1 and y = (t - y)^p. */
#include "contact/power_law.h"

#include "base/lanes.h"

#include <math.h>

/* u + u^(3/2) = t. With s = sqrt(u): s^3 + s^2 = t, convex in s > 0, so Newton from above falls on
 * the root without overshoot; ascending t makes the last root a good start after one step. */
double power_law_root_three_halves(double t, double start)
{
    double s = start;
    for (int i = 0; i < 100; i++) {
        double step = (s * s * (s + 1.0) - t) / (s * (3.0 * s + 2.0));
        s -= step;
        if (fabs(step) <= 1e-8 * s) break; /* quadratic: the error is now 1e-16 */
    }
    return s;
}

/* The same root for four t at once: s/w as a quotient of polynomials in w = sqrt(t), good to 3e-5
 * over its range of t (fitted to the exact root), then one step of Halley's, which cubes the error.
 */
struct quotient {
    double low, high, above[5], below[5];
};

static const struct quotient quotients[] = {
    {0.0,
     4096.0, /* s = 15.6: the contact is 23 times as stiff as the lever */
     {0.99996855, 1.65957201, 0.475456003, 0.0215105537, 8.43086122e-05},
     {1.0, 2.15777622, 0.94581731, 0.0771319807, 0.00077229254}},
    {3600.0,
     8192.0 * 8192.0,
     {0.528955383, 0.0126874198, 3.43258766e-05, 1.27464389e-08, 3.94701066e-13},
     {1.0, 0.058514099, 0.000307472419, 2.23706757e-07, 1.81448445e-11}},
};

LANES_INLINE lanes root_of_four(const struct quotient *q, lanes t)
{
    lanes w, above, below;
    for (int i = 0; i < LANES; i++)
        w[i] = sqrt(t[i]);
    above = q->above[3] + w * q->above[4], below = q->below[3] + w * q->below[4];
    for (int j = 2; j >= 0; j--)
        above = q->above[j] + w * above, below = q->below[j] + w * below;
    lanes s = w * above / below;
    lanes rest = s * s * (1.0 + s) - t, slope = s * (3.0 * s + 2.0);
    return s - rest * slope / (slope * slope - rest * (3.0 * s + 1.0));
}

LANES_INLINE bool within_range(const struct quotient *q, lanes t)
{
    lanes_mask out = (t < q->low) | (t > q->high);
    return !(out[0] | out[1] | out[2] | out[3]);
}

LANES_INLINE lanes root_of_each(lanes t)
{
    lanes s;
    for (int i = 0; i < LANES; i++)
        s[i] = power_law_root_three_halves(t[i], sqrt(t[i]));
    return s;
}

/* Four samples of the lever's curve; t that is not positive is out of contact. */
LANES_INLINE void lever_of_four(lanes t, lanes *y, lanes *y_t)
{
    const lanes tiny = {1e-280, 1e-280, 1e-280, 1e-280};
    lanes_mask in = t > 0.0;
    /* NaN and what is out of contact become a number so small that its cube is nil */
    t = lanes_select(in, t, tiny);
    lanes s = within_range(&quotients[0], t)   ? root_of_four(&quotients[0], t)
              : within_range(&quotients[1], t) ? root_of_four(&quotients[1], t)
                                               : root_of_each(t);
    lanes half = 1.5 * s;
    *y = (lanes)((lanes_mask)(s * s * s) & in);
    *y_t = (lanes)((lanes_mask)(half / (1.0 + half)) & in);
}

LANES_CLONES void power_law_lever_three_halves(const struct contact_shape *shape, const double *t,
                                               size_t n, struct contact_columns *out)
{
    (void)shape;
    size_t i = 0;
    for (; i < n; i += LANES) {
        lanes y, y_t, four = {0};
        size_t m = n - i < LANES ? n - i : LANES;
        if (m == LANES) {
            lever_of_four(lanes_load(t + i), &y, &y_t);
            lanes_store(out->value + i, y);
            lanes_store(out->slope + i, y_t);
            continue;
        }
        for (size_t k = 0; k < m; k++)
            four[k] = t[i + k];
        lever_of_four(four, &y, &y_t);
        for (size_t k = 0; k < m; k++)
            out->value[i + k] = y[k], out->slope[i + k] = y_t[k];
    }
}

LANES_CLONES void power_law_force_three_halves(const struct contact_shape *shape, const double *u,
                                               size_t n, struct contact_columns *out)
{
    (void)shape;
    double *restrict f = out->value, *restrict slope = out->slope;
    for (size_t i = 0; i < n; i++) {
        double s = sqrt(u[i] > 0 ? u[i] : 0.0);
        f[i] = s * s * s;
        slope[i] = 1.5 * s;
    }
}

LANES_CLONES static void lever_square(const struct contact_shape *shape, const double *t, size_t n,
                                      struct contact_columns *out)
{
    (void)shape;
    double *restrict y = out->value, *restrict y_t = out->slope;
    for (size_t i = 0; i < n; i++) {
        double positive = t[i] > 0 ? t[i] : 0.0;
        double u = 2.0 * positive / (1.0 + sqrt(1.0 + 4.0 * positive)); /* u + u^2 = t */
        y[i] = u * u;
        y_t[i] = 2.0 * u / (1.0 + 2.0 * u);
    }
}

LANES_CLONES static void force_square(const struct contact_shape *shape, const double *u, size_t n,
                                      struct contact_columns *out)
{
    (void)shape;
    double *f = out->value, *slope = out->slope;
    for (size_t i = 0; i < n; i++) {
        double positive = u[i] > 0 ? u[i] : 0.0;
        f[i] = positive * positive;
        slope[i] = 2.0 * positive;
    }
}

LANES_CLONES static void lever_linear(const struct contact_shape *shape, const double *t, size_t n,
                                      struct contact_columns *out)
{
    double kappa = shape->kappa, *y = out->value, *y_t = out->slope, *y_lnkappa = out->by_lnkappa;
    double share = kappa / (1.0 + kappa), share_lnkappa = share / (1.0 + kappa);
    for (size_t i = 0; i < n; i++) {
        double positive = t[i] > 0 ? t[i] : 0.0;
        y[i] = share * positive;
        y_t[i] = t[i] > 0 ? share : 0.0;
        y_lnkappa[i] = share_lnkappa * positive;
    }
}

LANES_CLONES static void force_linear(const struct contact_shape *shape, const double *u, size_t n,
                                      struct contact_columns *out)
{
    (void)shape;
    double *f = out->value, *slope = out->slope;
    for (size_t i = 0; i < n; i++) {
        f[i] = u[i] > 0 ? u[i] : 0.0;
        slope[i] = u[i] > 0 ? 1.0 : 0.0;
    }
}

/* --- A / E* of each shape, and the contact radius --- */

double paraboloid_factor(const struct contact_setup *s)
{
    return 4.0 / 3.0 * sqrt(s->radius_m);
}

static double cone_factor(const struct contact_setup *s)
{
    return 2.0 / M_PI * tan(s->half_angle_rad);
}

static double pyramid_factor(const struct contact_setup *s)
{
    return tan(s->face_angle_rad) / sqrt(2.0);
}

/* A power p: l^(p-1) = k/A. */
static double length_of(const struct contact_setup *s, double amplitude, double power)
{
    return pow(s->spring_n_per_m / amplitude, 1.0 / (power - 1.0));
}

static double amplitude_of(const struct contact_setup *s, double length_m, double power)
{
    return s->spring_n_per_m * pow(length_m, 1.0 - power);
}

/* y/t = d/x and y = u^p, t = u + u^p give u = (d/(x-d))^(1/(p-1)), l = x/t. */
double power_law_match(double x_m, double deflection_m, double power)
{
    double ratio = deflection_m / (x_m - deflection_m); /* u^(p-1) */
    double u = power == 1.5 ? ratio * ratio : pow(ratio, 1.0 / (power - 1.0));
    return x_m / (u * (1.0 + ratio));
}

static void state_of(double amplitude, double power, double depth_m, double radius_m,
                     struct contact_state *out)
{
    double depth = depth_m > 0 ? depth_m : 0.0;
    out->force_n = amplitude * pow(depth, power);
    out->stiffness_n_per_m = depth > 0 ? power * amplitude * pow(depth, power - 1.0) : 0.0;
    out->contact_radius_m = depth > 0 ? radius_m : 0.0;
}

#define POWER_LAW(shape, power, factor, radius)                                                    \
    static void shape##_physics(const struct contact_setup *s, double length_m, double kappa,      \
                                double pull_n, struct contact_sample *out)                         \
    {                                                                                              \
        (void)kappa, (void)pull_n;                                                                 \
        out->reduced_modulus_pa = amplitude_of(s, length_m, power) / factor(s);                    \
        out->work_j_per_m2 = NAN;                                                                  \
    }                                                                                              \
    static void shape##_scales(const struct contact_setup *s, const struct contact_sample *sample, \
                               double *length_m, double *kappa, double *pull_n)                    \
    {                                                                                              \
        *length_m = length_of(s, factor(s) * sample->reduced_modulus_pa, power);                   \
        *kappa = 1.0;                                                                              \
        *pull_n = 0.0;                                                                             \
    }                                                                                              \
    static void shape##_match(const struct contact_setup *s, double x_m, double deflection_m,      \
                              double pull_m, double *length_m, double *kappa)                      \
    {                                                                                              \
        (void)s, (void)pull_m;                                                                     \
        *length_m = power_law_match(x_m, deflection_m, power);                                     \
        *kappa = 1.0;                                                                              \
    }                                                                                              \
    static void shape##_state(const struct contact_setup *s, const struct contact_sample *sample,  \
                              double depth_m, struct contact_state *out)                           \
    {                                                                                              \
        state_of(factor(s) * sample->reduced_modulus_pa, power, depth_m, radius, out);             \
    }

POWER_LAW(paraboloid, 1.5, paraboloid_factor, sqrt(s->radius_m *depth_m))
POWER_LAW(cone, 2.0, cone_factor, cone_factor(s) * depth_m)
POWER_LAW(pyramid, 2.0, pyramid_factor, pyramid_factor(s) * depth_m)

const struct contact_model contact_paraboloid = {
    .name = "paraboloid",
    .title = "paraboloid, or sphere at small depth (Hertz), no adhesion",
    .formula = "F = 4/3 E* sqrt(R) delta^(3/2), a = sqrt(R delta)",
    .source = "H. Hertz, J. reine angew. Math. 92 (1882) 156; I. N. Sneddon, Int. J. Eng. Sci. 3 "
              "(1965) 47",
    .limits =
        "elastic, homogeneous, flat and thick sample, no adhesion; depth well below R (a true "
        "sphere differs by 2.8 % in E at depth/R = 0.28)",
    .needs = NEEDS(tip_radius),
    .segments = SEGMENT_APPROACH | SEGMENT_RETRACT,
    .paraboloid = true,
    .free_length = true,
    .modulus_power = {-0.5, 0.0},
    .force = power_law_force_three_halves,
    .lever = power_law_lever_three_halves,
    .physics = paraboloid_physics,
    .scales = paraboloid_scales,
    .match = paraboloid_match,
    .state = paraboloid_state,
};

const struct contact_model contact_cone = {
    .name = "cone",
    .title = "cone (Sneddon), no adhesion",
    .formula = "F = (2/pi) E* tan(half angle) delta^2, a = (2/pi) tan(half angle) delta",
    .source =
        "A. E. H. Love, Q. J. Math. 10 (1939) 161; I. N. Sneddon, Int. J. Eng. Sci. 3 (1965) 47",
    .limits = "depth large against the apex radius; half angle from the axis to the side",
    .needs = NEEDS(tip_half_angle),
    .segments = SEGMENT_APPROACH | SEGMENT_RETRACT,
    .free_length = true,
    .modulus_power = {-1.0, 0.0},
    .force = force_square,
    .lever = lever_square,
    .physics = cone_physics,
    .scales = cone_scales,
    .match = cone_match,
    .state = cone_state,
};

const struct contact_model contact_pyramid = {
    .name = "pyramid",
    .title = "four-sided pyramid (mean profile), no adhesion",
    .formula = "F = E* tan(face angle) delta^2 / sqrt(2), a = tan(face angle) delta / sqrt(2)",
    .source =
        "F. Rico et al., Phys. Rev. E 72 (2005) 021914, limit of large depth (attribution from "
        "memory; the constant is derived from the mean profile). G. G. Bilodeau, J. Appl. Mech. "
        "59 (1992) 519 gives 0.7453 instead of 1/sqrt(2), 5.4 % more force",
    .limits =
        "depth large against the apex radius; face angle from the axis to the middle of a face: "
        "tan(edge angle) = sqrt(2) tan(face angle)",
    .needs = NEEDS(tip_face_angle),
    .segments = SEGMENT_APPROACH | SEGMENT_RETRACT,
    .free_length = true,
    .modulus_power = {-1.0, 0.0},
    .force = force_square,
    .lever = lever_square,
    .physics = pyramid_physics,
    .scales = pyramid_scales,
    .match = pyramid_match,
    .state = pyramid_state,
};

/* --- The punch has no length of its own: l = its radius a, kappa = 2 E* a / k is searched. --- */

static double punch_length(const struct contact_setup *s)
{
    return s->radius_m;
}

static void punch_physics(const struct contact_setup *s, double length_m, double kappa,
                          double pull_n, struct contact_sample *out)
{
    (void)length_m, (void)pull_n;
    out->reduced_modulus_pa = kappa * s->spring_n_per_m / (2.0 * s->radius_m);
    out->work_j_per_m2 = NAN;
}

static void punch_scales(const struct contact_setup *s, const struct contact_sample *sample,
                         double *length_m, double *kappa, double *pull_n)
{
    *length_m = s->radius_m;
    *kappa = 2.0 * sample->reduced_modulus_pa * s->radius_m / s->spring_n_per_m;
    *pull_n = 0.0;
}

static void punch_match(const struct contact_setup *s, double x_m, double deflection_m,
                        double pull_m, double *length_m, double *kappa)
{
    (void)pull_m;
    *length_m = s->radius_m;
    *kappa = deflection_m / (x_m - deflection_m);
}

static void punch_state(const struct contact_setup *s, const struct contact_sample *sample,
                        double depth_m, struct contact_state *out)
{
    state_of(2.0 * sample->reduced_modulus_pa * s->radius_m, 1.0, depth_m, s->radius_m, out);
}

const struct contact_model contact_flat_punch = {
    .name = "flat_punch",
    .title = "flat circular punch, no adhesion",
    .formula = "F = 2 E* a delta",
    .source =
        "J. Boussinesq, Application des potentiels (1885); I. N. Sneddon, Int. J. Eng. Sci. 3 "
        "(1965) 47",
    .limits = "face parallel to the surface, full contact from the first touch",
    .needs = NEEDS(tip_radius),
    .segments = SEGMENT_APPROACH | SEGMENT_RETRACT,
    .kink = true,
    .free_kappa = true,
    .modulus_power = {0.0, 1.0},
    .force = force_linear,
    .lever = lever_linear,
    .fixed_length = punch_length,
    .physics = punch_physics,
    .scales = punch_scales,
    .match = punch_match,
    .state = punch_state,
};
