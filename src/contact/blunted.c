/* Tips with a parabolic cap r^2/(2R) up to r = b, then straight sides of slope c. With l = b^2/R,
 * P = 2 E* b l, alpha = a/b, w = sqrt(alpha^2 - 1), A = acos(1/alpha) = atan(w), and g = R c/b
 * (1 where cap and side meet smoothly, above 1 with an edge):
 *     alpha <= 1:  u = alpha^2,                      f = 2/3 alpha^3
 *     alpha > 1:   u = alpha (g A + 1/(alpha + w)),  f = g (alpha^2 A + w)/2
 *                                                        + (2 alpha + w)/(3 (alpha + w)^2)
 * and df/du = alpha. These are the published equations with the differences of nearly equal
 * numbers taken out: alpha - w = 1/(alpha + w). The parameter is s = alpha, beyond the joint
 * s = 1 + w: with an edge u rises like w there, without like w^2; over alpha it would have a
 * vertical tangent. */
#include "base/lanes_math.h"
#include "contact/parametric.h"

#include <math.h>

/* number: g */
static struct parametric_point blunted_at(const double *number, double s)
{
    if (s <= 1.0)
        return (struct parametric_point){
            .u = s * s, .f = 2.0 / 3.0 * s * s * s, .u_s = 2.0 * s, .f_u = s, .f_us = 1.0};
    double g = number[0], w = s - 1.0, alpha = sqrt(1.0 + w * w), angle = atan(w);
    double less = 1.0 / (alpha + w); /* alpha - w */
    return (struct parametric_point){.u = alpha * (g * angle + less),
                                     .f = 0.5 * g * (alpha * alpha * angle + w) +
                                          (2.0 * alpha + w) * less * less / 3.0,
                                     .u_s = (w * (g * angle + 2.0 * less) + (g - 1.0)) / alpha,
                                     .f_u = alpha,
                                     .f_us = w / alpha};
}

/* The same in lanes, of the cap and of the sides. */
LANES_CLONES static void cap_points(const void *of, const lanes *p, size_t groups,
                                    struct points_four *out)
{
    (void)of;
    for (size_t k = 0; k < groups; k++) {
        lanes s = p[k], s2 = s * s;
        out[k] = (struct points_four){
            .u = s2, .f = 2.0 / 3.0 * s * s2, .u_p = 2.0 * s, .f_p = 2.0 * s2};
    }
}

LANES_CLONES static void side_points(const void *of, const lanes *p, size_t groups,
                                     struct points_four *out)
{
    const double g = *(const double *)of;
    for (size_t k = 0; k < groups; k++) {
        lanes w = p[k] - 1.0, alpha = lanes_sqrt(1.0 + w * w), less = 1.0 / (alpha + w);
        lanes angle = g * lanes_atan(w), u_s = (w * (angle + 2.0 * less) + (g - 1.0)) / alpha;
        lanes f = 0.5 * (alpha * alpha * angle + g * w) +
                  (2.0 * alpha + w) * less * less * (1.0 / 3.0);
        out[k] = (struct points_four){
            .u = alpha * (angle + less), .f = f, .u_p = u_s, .f_p = u_s * alpha};
    }
}

/* The smaller of the roots of u alone and of kappa f alone, of the cap or of the bare sides. */
static double blunted_guess(const double *number, double t, double kappa)
{
    double cap = fmin(sqrt(t), cbrt(1.5 * t / kappa));
    if (cap <= 1.0) return cap;
    double side = 0.5 * M_PI * number[0];
    return 1.0 + fmin(t / side, sqrt(2.0 * t / (kappa * side)));
}

/* A cap that ends beyond the smooth joint would make a tip that is not convex: it ends there. */
static struct parametric blunted_with(const struct contact_setup *s, double slope)
{
    double smooth = s->radius_m * slope, b = s->cap_radius_m;
    if (!(b > 0 && b < smooth)) b = smooth;
    double length = b * b / s->radius_m;
    return (struct parametric){.length_m = length,
                               .area_m2 = 2.0 * b * length,
                               .number = {smooth / b},
                               .points = cap_points,
                               .points_beyond = side_points,
                               .joint = 1.0,
                               .at = blunted_at,
                               .guess = blunted_guess};
}

static struct parametric blunted_cone_of(const struct contact_setup *s)
{
    return blunted_with(s, 1.0 / tan(s->half_angle_rad));
}

/* The pyramid's mean profile is a cone with c = (2 sqrt(2)/pi)/tan(face angle). */
static struct parametric blunted_pyramid_of(const struct contact_setup *s)
{
    return blunted_with(s, 2.0 * M_SQRT2 / M_PI / tan(s->face_angle_rad));
}

PARAMETRIC(blunted_cone)
PARAMETRIC(blunted_pyramid)

#define BLUNTED_FORMULA                                                                            \
    "a <= b: paraboloid; a > b: F = 2 E* (a delta - (a^2 c/2) acos(b/a) - a^3/(3R) + sqrt(a^2 - "  \
    "b^2) (b c/2 + (a^2 - b^2)/(3R))), delta = a c acos(b/a) - (a/R)(sqrt(a^2 - b^2) - a); c = "

#define BLUNTED_LIMITS                                                                             \
    "elastic, homogeneous, flat and thick sample, no adhesion, no friction; the cap ends at the "  \
    "tip's cap radius b, without one at the smooth joint b = R c, which is also the largest b "    \
    "(beyond it the tip would not be convex); a smaller b leaves an edge"

const struct contact_model contact_blunted_cone = {
    .name = "blunted_cone",
    .title = "cone with a parabolic cap, no adhesion",
    .formula = BLUNTED_FORMULA "1/tan(half angle)",
    .source =
        "B. J. Briscoe, K. S. Sebastian, M. J. Adams, J. Phys. D 27 (1994) 1156 (the equations "
        "are derived and checked; the attribution is from memory)",
    .limits = BLUNTED_LIMITS "; half angle from the axis to the side",
    .needs = NEEDS(tip_radius) | NEEDS(tip_half_angle),
    .may_use = NEEDS(tip_cap_radius),
    .segments = SEGMENT_APPROACH | SEGMENT_RETRACT,
    .free_kappa = true,
    .modulus_power = {0.0, 1.0},
    PARAMETRIC_FUNCTIONS(blunted_cone),
};

const struct contact_model contact_blunted_pyramid = {
    .name = "blunted_pyramid",
    .title = "four-sided pyramid (mean profile) with a parabolic cap, no adhesion",
    .formula = BLUNTED_FORMULA "(2 sqrt(2)/pi)/tan(face angle)",
    .source =
        "F. Rico et al., Phys. Rev. E 72 (2005) 021914 (derived for the mean profile; that the "
        "paper's formula is this one is from memory)",
    .limits = BLUNTED_LIMITS
    "; face angle from the axis to the middle of a face: tan(edge angle) = "
    "sqrt(2) tan(face angle)",
    .needs = NEEDS(tip_radius) | NEEDS(tip_face_angle),
    .may_use = NEEDS(tip_cap_radius),
    .segments = SEGMENT_APPROACH | SEGMENT_RETRACT,
    .free_kappa = true,
    .modulus_power = {0.0, 1.0},
    PARAMETRIC_FUNCTIONS(blunted_pyramid),
};
