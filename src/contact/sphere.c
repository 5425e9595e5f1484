/* Full sphere. With a/R = tanh s the logarithm of Sneddon's solution, ln((R+a)/(R-a)), is 2 s:
 *     u = delta/R = s tanh s,   f = F/(E* R^2) = s (1 + tanh^2 s) - tanh s,   df/du = 2 tanh s. */
#include "base/lanes_math.h"
#include "contact/parametric.h"

#include <math.h>

/* (s - tanh s)/s^3, the Taylor series of tanh: differences of nearly equal numbers would cost
 * digits. For s < 0.3 the first term left out is 1.5e-16 of the sum. */
enum { DEFICIT_TERMS = 11 };
static const double deficit_series[DEFICIT_TERMS] = {1.0 / 3.0,
                                                     -2.0 / 15.0,
                                                     17.0 / 315.0,
                                                     -62.0 / 2835.0,
                                                     1382.0 / 155925.0,
                                                     -21844.0 / 6081075.0,
                                                     929569.0 / 638512875.0,
                                                     -5.9002744094558598138e-4,
                                                     2.3912911424355248149e-4,
                                                     -9.6915379569294503256e-5,
                                                     3.9278323883316834053e-5};

static double tanh_deficit(double s2)
{
    double sum = 0.0;
    for (size_t i = DEFICIT_TERMS; i-- > 0;)
        sum = sum * s2 + deficit_series[i];
    return sum;
}

static struct parametric_point sphere_at(const double *number, double s)
{
    (void)number;
    double s2 = s * s, deficit = s < 0.3 ? s * s2 * tanh_deficit(s2) : s - tanh(s);
    double a = s - deficit, a2 = a * a;
    return (struct parametric_point){.u = s * a,
                                     .f = deficit + s * a2,
                                     .u_s = a + s * (1.0 - a2),
                                     .f_u = 2.0 * a,
                                     .f_us = 2.0 * (1.0 - a2)};
}

/* The same in lanes. */
LANES_CLONES static void sphere_points(const void *of, const lanes *p, size_t groups,
                                       struct points_four *out)
{
    (void)of;
    for (size_t k = 0; k < groups; k++) {
        const lanes most = {300.0, 300.0, 300.0, 300.0};
        lanes s = p[k], s2 = s * s, fade = lanes_exp(-2.0 * lanes_min(s, most));
        lanes deficit = lanes_select(s < 0.3,
                                     s * s2 * lanes_polynomial(deficit_series, DEFICIT_TERMS, s2),
                                     s - (1.0 - fade) / (1.0 + fade));
        lanes a = s - deficit, a2 = a * a;
        out[k].u = s * a;
        out[k].f = deficit + s * a2;
        out[k].u_p = a + s * (1.0 - a2);
        out[k].f_p = 2.0 * a * out[k].u_p;
    }
}

/* s <= root of u alone and of kappa f alone: s^2 to s, and 4/3 s^3 to 2 s. */
static double sphere_guess(const double *number, double t, double kappa)
{
    (void)number;
    return fmin(sqrt(t * (1.0 + t)), cbrt(0.75 * t / kappa) + 0.5 * t / kappa);
}

static struct parametric sphere_of(const struct contact_setup *s)
{
    return (struct parametric){.length_m = s->radius_m,
                               .area_m2 = s->radius_m * s->radius_m,
                               .points = sphere_points,
                               .at = sphere_at,
                               .guess = sphere_guess};
}

PARAMETRIC(sphere)

const struct contact_model contact_sphere = {
    .name = "sphere",
    .title = "full sphere, no adhesion",
    .formula =
        "F = E* ((a^2 + R^2)/2 ln((R + a)/(R - a)) - a R), delta = (a/2) ln((R + a)/(R - a))",
    .source =
        "I. N. Sneddon, Int. J. Eng. Sci. 3 (1965) 47 (the equations are derived and checked; "
        "the attribution is from memory)",
    .limits =
        "elastic, homogeneous, flat and thick sample, no adhesion, no friction; the tip is round "
        "up "
        "to the contact radius. Linear elasticity of small strains: at depth near R it no longer "
        "holds, whatever the profile",
    .needs = NEEDS(tip_radius),
    .segments = SEGMENT_APPROACH | SEGMENT_RETRACT,
    .free_kappa = true,
    .modulus_power = {0.0, 1.0},
    PARAMETRIC_FUNCTIONS(sphere),
};
