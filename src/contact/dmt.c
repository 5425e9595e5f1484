/* DMT sphere: the paraboloid's force less a constant pull while in contact.
 * k d = A delta^(3/2) - F_ad. With d' = d + F_ad/k and Z0' = Z0 - F_ad/k the lever's curve is the
 * paraboloid's own, d' = l y((Z - Z0')/l); the pull is a linear unknown of the fit. */
#include "contact/power_law.h"

#include <math.h>

static void dmt_physics(const struct contact_setup *s, double length_m, double kappa, double pull_n,
                        struct contact_sample *out)
{
    (void)kappa;
    out->reduced_modulus_pa = s->spring_n_per_m / sqrt(length_m) / paraboloid_factor(s);
    out->work_j_per_m2 = pull_n / (2.0 * M_PI * s->radius_m);
}

static void dmt_scales(const struct contact_setup *s, const struct contact_sample *sample,
                       double *length_m, double *kappa, double *pull_n)
{
    double ratio = s->spring_n_per_m / (paraboloid_factor(s) * sample->reduced_modulus_pa);
    *length_m = ratio * ratio;
    *kappa = 1.0;
    *pull_n = 2.0 * M_PI * s->radius_m * sample->work_j_per_m2;
}

static void dmt_match(const struct contact_setup *s, double x_m, double deflection_m, double pull_m,
                      double *length_m, double *kappa)
{
    (void)s;
    *length_m = power_law_match(x_m + pull_m, deflection_m + pull_m, 1.5);
    *kappa = 1.0;
}

static void dmt_state(const struct contact_setup *s, const struct contact_sample *sample,
                      double depth_m, struct contact_state *out)
{
    double pull_n = 2.0 * M_PI * s->radius_m * sample->work_j_per_m2;
    contact_paraboloid.state(s, sample, depth_m, out);
    out->force_n = depth_m >= 0 ? out->force_n - pull_n : 0.0;
}

const struct contact_model contact_dmt = {
    .name = "dmt",
    .title = "DMT sphere: stiff, small, weakly adhesive contacts",
    .formula = "F = 4/3 E* sqrt(R) delta^(3/2) - 2 pi R w for delta >= 0, a = sqrt(R delta)",
    .source =
        "B. V. Derjaguin, V. M. Muller, Yu. P. Toporov, J. Colloid Interface Sci. 53 (1975) 314, "
        "in the form of D. Maugis, J. Colloid Interface Sci. 150 (1992) 243",
    .limits =
        "Tabor parameter below about 0.1 (K. L. Johnson, J. A. Greenwood, J. Colloid Interface "
        "Sci. 192 (1997) 326, from memory); depth well below R",
    .needs = NEEDS(tip_radius),
    .segments = SEGMENT_RETRACT,
    .adhesive = true,
    .paraboloid = true,
    .free_length = true,
    .pull = true,
    .modulus_power = {-0.5, 0.0},
    .force = power_law_force_three_halves,
    .lever = power_law_lever_three_halves,
    .physics = dmt_physics,
    .scales = dmt_scales,
    .match = dmt_match,
    .state = dmt_state,
};
