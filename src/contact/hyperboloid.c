/* Hyperboloid: the profile (sqrt(A^2 + r^2) - A)/tan(theta), A = R/tan(theta), an apex radius R
 * that passes smoothly into a cone of half angle theta. With s = a/A, and atan(1/(2 xi) - xi/2) of
 * the published form being 2 atan(s) - pi/2 for xi = 1/s: u = s atan s,   f = s + (s^2 - 1) atan s,
 * df/du = 2 s, delta = R/tan^2(theta) u,   F = E* R^2/tan^3(theta) f. One curve for all radii and
 * angles. */
#include "contact/parametric_table.h"

#include <math.h>

/* (s - atan s)/s^3, the Taylor series of atan: a difference of nearly equal numbers would cost
 * digits. For s < 0.3 the first term left out is 1e-17 of the sum. */
static double atan_deficit(double s2)
{
    enum { TERMS = 15 };
    double sum = 0.0;
    for (int k = TERMS; k > 0; k--)
        sum = 1.0 / (2.0 * k + 1.0) - sum * s2;
    return sum;
}

static struct parametric_point hyperboloid_at(const double *number, double s)
{
    (void)number;
    double s2 = s * s, angle = atan(s);
    double deficit = s < 0.3 ? s * s2 * atan_deficit(s2) : s - angle;
    return (struct parametric_point){.u = s * angle,
                                     .f = deficit + s2 * angle,
                                     .u_s = angle + s / (1.0 + s2),
                                     .f_u = 2.0 * s,
                                     .f_us = 2.0};
}

/* The smaller of the roots of u alone, with s^2/(1 + 2s/pi) for u, which is below it, and of
 * kappa f alone, with the larger of the paraboloid's and the cone's. */
static double hyperboloid_guess(const double *number, double t, double kappa)
{
    (void)number;
    double alone = t / M_PI;
    return fmin(alone + sqrt(alone * alone + t),
                fmax(cbrt(0.75 * t / kappa), sqrt(2.0 / M_PI * t / kappa)));
}

static struct parametric hyperboloid_of(const struct contact_setup *s)
{
    static struct parametric_table table; /* to a depth of 13 R/tan^2(theta) */
    double slope = 1.0 / tan(s->half_angle_rad), length = s->radius_m * slope * slope;
    return (struct parametric){.length_m = length,
                               .area_m2 = length * s->radius_m * slope,
                               .table = parametric_tabulate(&table, hyperboloid_at, NULL, 1, 9),
                               .at = hyperboloid_at,
                               .guess = hyperboloid_guess};
}

PARAMETRIC(hyperboloid)

const struct contact_model contact_hyperboloid = {
    .name = "hyperboloid",
    .title = "hyperboloid: a round apex that passes smoothly into a cone, no adhesion",
    .formula = "F = E* a^2/tan(half angle) (x + (1 - x^2)/2 (pi/2 + atan(1/(2 x) - x/2))), delta = "
               "a/(2 tan(half angle)) (pi/2 + atan(1/(2 x) - x/2)), x = R/(a tan(half angle))",
    .source = "Y. Sun, B. Akhremitchev, G. C. Walker, Langmuir 20 (2004) 5837, without adhesion "
              "(doi 10.1021/la036461q; the equations are derived and checked, the attribution is "
              "from memory)",
    .limits =
        "elastic, homogeneous, flat and thick sample, no adhesion, no friction; a paraboloid of "
        "radius R at first, in the end the cone; at the same depth up to 15 % more force (at 2.3 "
        "R/tan^2(half angle)) than the blunted cone of this radius and angle; half angle from the "
        "axis to the side of that cone",
    .needs = NEEDS(tip_radius) | NEEDS(tip_half_angle),
    .segments = SEGMENT_APPROACH | SEGMENT_RETRACT,
    .free_kappa = true,
    .modulus_power = {0.0, 1.0},
    PARAMETRIC_FUNCTIONS(hyperboloid),
};
