/* Hyperboloid: the profile (sqrt(A^2 + r^2) - A)/tan(theta), A = R/tan(theta), an apex radius R
 * that passes smoothly into a cone of half angle theta. With s = a/A, and atan(1/(2 xi) - xi/2) of
 * the published form being 2 atan(s) - pi/2 for xi = 1/s: u = s atan s,   f = s + (s^2 - 1) atan s,
 * df/du = 2 s, delta = R/tan^2(theta) u,   F = E* R^2/tan^3(theta) f. One curve for all radii and
 * angles. */
#include "base/lanes_math.h"
#include "contact/parametric.h"

#include <math.h>

/* (s - atan s)/s^3, the Taylor series of atan: a difference of nearly equal numbers would cost
 * digits. For s < 0.3 the first term left out is 1e-17 of the sum. */
enum { DEFICIT_TERMS = 15 };
static const double deficit_series[DEFICIT_TERMS] = {
    1.0 / 3.0,   -1.0 / 5.0,  1.0 / 7.0,   -1.0 / 9.0,  1.0 / 11.0,
    -1.0 / 13.0, 1.0 / 15.0,  -1.0 / 17.0, 1.0 / 19.0,  -1.0 / 21.0,
    1.0 / 23.0,  -1.0 / 25.0, 1.0 / 27.0,  -1.0 / 29.0, 1.0 / 31.0};

static double atan_deficit(double s2)
{
    double sum = 0.0;
    for (int k = DEFICIT_TERMS - 1; k >= 0; k--)
        sum = deficit_series[k] + sum * s2;
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

/* The same in lanes. */
LANES_CLONES static void hyperboloid_points(const void *of, const lanes *p, size_t groups,
                                            struct points_four *out)
{
    (void)of;
    for (size_t k = 0; k < groups; k++) {
        lanes s = p[k], s2 = s * s, angle = lanes_atan(s);
        lanes deficit = lanes_select(
            s < 0.3, s * s2 * lanes_polynomial(deficit_series, DEFICIT_TERMS, s2), s - angle);
        lanes u_s = angle + s / (1.0 + s2);
        out[k] = (struct points_four){
            .u = s * angle, .f = deficit + s2 * angle, .u_p = u_s, .f_p = 2.0 * s * u_s};
    }
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
    double slope = 1.0 / tan(s->half_angle_rad), length = s->radius_m * slope * slope;
    return (struct parametric){.length_m = length,
                               .area_m2 = length * s->radius_m * slope,
                               .points = hyperboloid_points,
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
