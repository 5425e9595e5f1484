/* Indenters whose force is a power of the indentation, F = A delta^p, without adhesion.
 * Length l = (k/A)^(1/(p-1)), so that k l = A l^p: then kappa = 1 and y = (t - y)^p. */
#include "contact/power_law.h"

#include "base/lanes.h"

#include <math.h>
#include <string.h>

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

/* The same root for many t, one kind of work after the other so that each loop is short and wide. A
 * start in single precision, s/w as a quotient of polynomials in w = sqrt(t), good to 3e-5 over its
 * range of t (fitted to the exact root); then one step in double precision that cubes the error.
 * Its one division, 1/f', serves the slope too. */
struct quotient {
    double low, high;
    float above[5], below[5];
};

static const struct quotient quotients[] = {
    {1e-30,  /* far above the least number of single precision */
     4096.0, /* s = 15.6: the contact is 23 times as stiff as the lever */
     {0.99996855F, 1.65957201F, 0.475456003F, 0.0215105537F, 8.43086122e-05F},
     {1.0F, 2.15777622F, 0.94581731F, 0.0771319807F, 0.00077229254F}},
    {3600.0,
     8192.0 * 8192.0,
     {0.528955383F, 0.0126874198F, 3.43258766e-05F, 1.27464389e-08F, 3.94701066e-13F},
     {1.0F, 0.058514099F, 0.000307472419F, 2.23706757e-07F, 1.81448445e-11F}},
};
enum { QUOTIENTS = sizeof quotients / sizeof *quotients, CHUNK = 64, EIGHT = 8 };

LANES_INLINE bool start_within(const struct quotient *q, const double *t, size_t n, float *s)
{
    float above[5], below[5];
    long long out = 0;
    for (size_t i = 0; i < n; i++)
        out |= (t[i] < q->low) | (t[i] > q->high);
    if (out) return false;
    memcpy(above, q->above, sizeof above);
    memcpy(below, q->below, sizeof below);
    for (size_t i = 0; i < n; i++)
        s[i] = sqrtf((float)t[i]);
    for (size_t i = 0; i < n; i++) {
        float w = s[i];
        float a = above[0] + w * (above[1] + w * (above[2] + w * (above[3] + w * above[4])));
        float b = below[0] + w * (below[1] + w * (below[2] + w * (below[3] + w * below[4])));
        s[i] = w * (a / b);
    }
    return true;
}

/* From a root s to 3e-5 to the lever's curve: with f(s) = s^3 + s^2 - t, q = f/f' and a = f''/(2
 * f') the root is s - q - a q^2 to third order; v = 1/(1 + 1.5 s), which was 2 s/f', follows by two
 * terms of its series. */
LANES_INLINE void finish_chunk(const double *t, const float *start, size_t n, double *restrict y,
                               double *restrict y_t)
{
    for (size_t i = 0; i < n; i++) {
        double s = (double)start[i], per = 1.0 / (s * (3.0 * s + 2.0)), v = 2.0 * s * per;
        double q = (s * s * (1.0 + s) - t[i]) * per;
        s -= q + q * q * (3.0 * s + 1.0) * per;
        double half = 1.5 * s, off = (1.0 + half) * v - 1.0;
        v -= v * (off - off * off);
        y[i] = s * s * s;
        y_t[i] = half * v;
    }
}

static void finish_each(const double *t, size_t n, double *y, double *y_t)
{
    for (size_t i = 0; i < n; i++) {
        double s = power_law_root_three_halves(t[i], sqrt(t[i])), half = 1.5 * s;
        y[i] = s * s * s;
        y_t[i] = half / (1.0 + half);
    }
}

LANES_INLINE void lever_of_chunk(const double *t, size_t n, double *y, double *y_t)
{
    double x[CHUNK], value[CHUNK], slope[CHUNK];
    float s[CHUNK];
    size_t whole = (n + EIGHT - 1) / EIGHT * EIGHT; /* no loop ends in single steps */
    bool found = false;
    for (size_t i = 0; i < n; i++) /* out of contact, or no number */
        x[i] = t[i] > 0 ? t[i] : 1.0;
    for (size_t i = n; i < whole; i++)
        x[i] = x[n - 1];
    for (int j = 0; j < QUOTIENTS && !found; j++)
        found = start_within(&quotients[j], x, whole, s);
    if (found)
        finish_chunk(x, s, whole, value, slope);
    else
        finish_each(x, whole, value, slope);
    for (size_t i = 0; i < n; i++) {
        y[i] = t[i] > 0 ? value[i] : 0.0;
        y_t[i] = t[i] > 0 ? slope[i] : 0.0;
    }
}

LANES_CLONES void power_law_lever_three_halves(const struct contact_shape *shape, const double *t,
                                               size_t n, struct contact_columns *out)
{
    (void)shape;
    for (size_t i = 0; i < n; i += CHUNK)
        lever_of_chunk(t + i, n - i < CHUNK ? n - i : CHUNK, out->value + i, out->slope + i);
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
