/* Tip with the profile R (r/R)^n / n. With c = (sqrt(pi)/2) Gamma(n/2)/Gamma((n+1)/2):
 *     u = delta/R = c (a/R)^n,   f = F/(E* R^2) = 2n/(n+1) u a/R,   df/du = 2 a/R.
 * A power law F ~ delta^(1 + 1/n), but not in the form of power_law.c: its length (k/A)^n has no
 * bounds as n grows and the tip becomes a punch. The parameter s is u itself. */
#include "base/lanes_math.h"
#include "contact/parametric.h"

#include <math.h>

/* number: 1/n, c^(-1/n) */
static struct parametric_point profile_at(const double *number, double s)
{
    double a = number[1] * pow(s, number[0]);
    return (struct parametric_point){.u = s,
                                     .f = 2.0 / (1.0 + number[0]) * s * a,
                                     .u_s = 1.0,
                                     .f_u = 2.0 * a,
                                     .f_us = 2.0 * a * number[0] / s};
}

/* The same in lanes, by p = sqrt(u). */
LANES_CLONES static void profile_points(const void *of, const lanes *p, size_t groups,
                                        struct points_four *out)
{
    const double *number = of, power = number[0], scale = number[1], share = 2.0 / (1.0 + power);
    for (size_t k = 0; k < groups; k++) {
        lanes u = p[k] * p[k], a = scale * lanes_exp(power * lanes_log(u)), u_p = 2.0 * p[k];
        out[k] = (struct points_four){.u = u, .f = share * u * a, .u_p = u_p, .f_p = 2.0 * a * u_p};
    }
}

/* The smaller of the roots of u alone and of kappa f alone: above the root of their sum, and the
 * sum is convex in u, so Newton falls on the root. */
static double profile_guess(const double *number, double t, double kappa)
{
    double scale = 2.0 * kappa * number[1] / (1.0 + number[0]);
    return fmin(t, pow(t / scale, 1.0 / (1.0 + number[0])));
}

static struct parametric power_profile_of(const struct contact_setup *s)
{
    double n = s->profile_exponent;
    double c = 0.5 * sqrt(M_PI) * tgamma(0.5 * n) / tgamma(0.5 * n + 0.5);
    return (struct parametric){.length_m = s->radius_m,
                               .area_m2 = s->radius_m * s->radius_m,
                               .number = {1.0 / n, pow(c, -1.0 / n)},
                               .points = profile_points,
                               .at = profile_at,
                               .guess = profile_guess};
}

PARAMETRIC(power_profile)

const struct contact_model contact_power_profile = {
    .name = "power_profile",
    .title = "tip with a power-law profile, no adhesion",
    .formula = "profile R (r/R)^n / n; F = 2 E* n/(n + 1) delta a, delta = (sqrt(pi)/2) "
               "Gamma(n/2)/Gamma((n + 1)/2) R (a/R)^n",
    .source = "L. A. Galin (1946); I. N. Sneddon, Int. J. Eng. Sci. 3 (1965) 47 (the equations are "
              "derived and checked; the attribution is from memory)",
    .limits =
        "elastic, homogeneous, flat and thick sample, no adhesion, no friction; n = 1 is a cone "
        "of half angle 45 degree whatever R, n = 2 a paraboloid of apex radius R, large n "
        "nearly a flat punch of radius R",
    .needs = NEEDS(tip_radius) | NEEDS(tip_profile_exponent),
    .segments = SEGMENT_APPROACH | SEGMENT_RETRACT,
    .kink = true, /* of a blunt profile (large n) the force rises almost at once */
    .free_kappa = true,
    .modulus_power = {0.0, 1.0},
    PARAMETRIC_FUNCTIONS(power_profile),
};
