/* Adhesive flat punch: in contact F = 2 E* a delta, to both sides of zero, until it comes off at
 * F_ad = sqrt(8 pi E* w a^3). The length l is how far it stretches by then, F_ad/(2 E* a):
 *     f = u for u >= -1,   P = F_ad,   y = kappa/(1 + kappa) t for t >= -(1 + kappa),
 *     kappa = 2 E* a/k,    l = sqrt(2 pi w a/E*).
 * The curve is a straight line whose l shows only in where it ends, which no least squares can
 * find: l is read off there. */
#include "contact/contact.h"

#include <math.h>

static void line(double share, double end, const double *at, size_t n, struct contact_columns *out)
{
    for (size_t i = 0; i < n; i++) {
        bool held = at[i] >= end;
        out->value[i] = share * (held ? at[i] : end);
        out->slope[i] = held ? share : 0.0;
    }
}

static void punch_force(const struct contact_shape *shape, const double *u, size_t n,
                        struct contact_columns *out)
{
    (void)shape;
    line(1.0, -1.0, u, n, out);
}

static void punch_lever(const struct contact_shape *shape, const double *t, size_t n,
                        struct contact_columns *out)
{
    double kappa = shape->kappa, more = 1.0 + kappa;
    line(kappa / more, -more, t, n, out);
    for (size_t i = 0; i < n; i++)
        out->by_lnkappa[i] = out->slope[i] > 0 ? out->value[i] / more : 0.0;
}

static void punch_branch_end(const struct contact_shape *shape, struct contact_branch_end *out)
{
    *out = (struct contact_branch_end){-(1.0 + shape->kappa), -shape->kappa, 0.0};
}

static void punch_physics(const struct contact_setup *s, double length_m, double kappa,
                          double pull_n, struct contact_sample *out)
{
    double radius = s->radius_m, stiffness = kappa * s->spring_n_per_m;
    (void)pull_n;
    out->reduced_modulus_pa = stiffness / (2.0 * radius);
    out->work_j_per_m2 = stiffness * length_m * length_m / (4.0 * M_PI * radius * radius);
}

static void punch_scales(const struct contact_setup *s, const struct contact_sample *sample,
                         double *length_m, double *kappa, double *pull_n)
{
    double radius = s->radius_m, modulus = sample->reduced_modulus_pa;
    *length_m = sqrt(2.0 * M_PI * sample->work_j_per_m2 * radius / modulus);
    *kappa = 2.0 * modulus * radius / s->spring_n_per_m;
    *pull_n = 0.0;
}

/* Longer than any curve, as long as it is not known. */
static double punch_length(const struct contact_setup *s)
{
    (void)s;
    return 1.0;
}

static void punch_match(const struct contact_setup *s, double x_m, double deflection_m,
                        double pull_m, double *length_m, double *kappa)
{
    (void)s;
    *kappa = deflection_m / (x_m - deflection_m);
    *length_m = pull_m / *kappa;
}

static void punch_state(const struct contact_setup *s, const struct contact_sample *sample,
                        double depth_m, struct contact_state *out)
{
    double length, kappa, pull_n;
    punch_scales(s, sample, &length, &kappa, &pull_n);
    *out = (struct contact_state){0};
    if (depth_m < -length * (1.0 + 1e-12)) return;
    out->stiffness_n_per_m = kappa * s->spring_n_per_m;
    out->force_n = out->stiffness_n_per_m * depth_m;
    out->contact_radius_m = s->radius_m;
}

const struct contact_model contact_adhesive_punch = {
    .name = "adhesive_punch",
    .title = "adhesive flat circular punch",
    .formula = "F = 2 E* a delta down to the pull-off at F = -sqrt(8 pi E* w a^3)",
    .source = "K. Kendall, J. Phys. D 4 (1971) 1186 (derived and checked, the attribution is from "
              "memory)",
    .limits =
        "face parallel to the surface, in full contact until it comes off at once; w is from "
        "where the fitted line ends, so the largest pull that the contact bore, and its error has "
        "the sampling of that place",
    .needs = NEEDS(tip_radius),
    .segments = SEGMENT_RETRACT,
    .adhesive = true,
    .bare = &contact_flat_punch,
    .length_at_end = true,
    .free_kappa = true,
    .modulus_power = {0.0, 1.0},
    .work_power = {2.0, 1.0},
    .force = punch_force,
    .lever = punch_lever,
    .branch_end = punch_branch_end,
    .fixed_length = punch_length,
    .physics = punch_physics,
    .scales = punch_scales,
    .match = punch_match,
    .state = punch_state,
};
