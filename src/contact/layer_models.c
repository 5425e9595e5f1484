/* Contact models of an elastic layer on a rigid base: exact (layer.h) and published series.
 *
 * F = P f(u), u = delta/l, with a length that is known, so that only kappa = P/(k l) is searched:
 *     paraboloid  l = h^2/R         f = u^(3/2) g(sqrt u)   kappa = 4/3 E* h/k
 *     cone        l = h/tan(angle)  f = u^2 g(u)            kappa = (2/pi) E* h/k
 *     punch       l = R             f = u                   kappa = 2 E* R g(R/h)/k */
#include "contact/from_force.h"
#include "contact/layer.h"
#include "contact/layer_series.h"

#include <math.h>

/* One model at one setup. */
struct law {
    enum layer_shape shape;
    const struct layer *exact; /* NULL: the series */
    double c[SERIES_ORDER];
};

static double ratio_of(const struct law *law, double chi, double *slope)
{
    return law->exact ? layer_ratio(law->exact, chi, slope) : series_ratio(law->c, chi, slope);
}

static void reduced_sphere(const void *context, double u, double *f, double *slope)
{
    double chi = sqrt(u), by_chi, g = ratio_of(context, chi, &by_chi);
    *f = u * chi * g;
    *slope = chi * (1.5 * g + 0.5 * chi * by_chi);
}

static void reduced_cone(const void *context, double u, double *f, double *slope)
{
    double by_chi, g = ratio_of(context, u, &by_chi);
    *f = u * u * g;
    *slope = u * (2.0 * g + u * by_chi);
}

static void reduced_punch(const void *context, double u, double *f, double *slope)
{
    (void)context;
    *f = u;
    *slope = 1.0;
}

static struct reduced_force force_of(const struct law *law)
{
    static void (*const at[])(const void *, double, double *,
                              double *) = {[LAYER_SPHERE] = reduced_sphere,
                                           [LAYER_CONE] = reduced_cone,
                                           [LAYER_PUNCH] = reduced_punch};
    return (struct reduced_force){at[law->shape], law};
}

static double chi_of(enum layer_shape shape, const struct contact_setup *s, double depth_m)
{
    double depth = depth_m > 0 ? depth_m : 0.0;
    if (shape == LAYER_SPHERE) return sqrt(s->radius_m * depth) / s->thickness_m;
    if (shape == LAYER_CONE) return tan(s->half_angle_rad) * depth / s->thickness_m;
    return s->radius_m / s->thickness_m;
}

static double length_of(enum layer_shape shape, const struct contact_setup *s)
{
    if (shape == LAYER_SPHERE) return s->thickness_m * s->thickness_m / s->radius_m;
    if (shape == LAYER_CONE) return s->thickness_m / tan(s->half_angle_rad);
    return s->radius_m;
}

/* kappa k/E*, metres */
static double width_of(const struct law *law, const struct contact_setup *s)
{
    double slope;
    if (law->shape == LAYER_SPHERE) return 4.0 / 3.0 * s->thickness_m;
    if (law->shape == LAYER_CONE) return M_2_PI * s->thickness_m;
    return 2.0 * s->radius_m * ratio_of(law, chi_of(LAYER_PUNCH, s, 0.0), &slope);
}

/* The series were made with the contact radius of a half-space, or say none. */
static double radius_of(const struct law *law, const struct contact_setup *s, double depth_m)
{
    if (law->shape == LAYER_PUNCH) return s->radius_m;
    double chi = chi_of(law->shape, s, depth_m);
    if (law->exact) return s->thickness_m * layer_contact(law->exact, chi);
    return s->thickness_m * chi * (law->shape == LAYER_CONE ? M_2_PI : 1.0);
}

static void match_of(const struct law *law, const struct contact_setup *s, double x_m,
                     double deflection_m, double *length_m, double *kappa)
{
    double f, slope, length = length_of(law->shape, s);
    struct reduced_force force = force_of(law);
    force.at(force.context, (x_m - deflection_m) / length, &f, &slope);
    *length_m = length;
    *kappa = deflection_m / (length * f);
}

static void state_of(const struct law *law, const struct contact_setup *s,
                     const struct contact_sample *sample, double depth_m, struct contact_state *out)
{
    double f, slope, length = length_of(law->shape, s);
    double stiffness = sample->reduced_modulus_pa * width_of(law, s);
    struct reduced_force force = force_of(law);
    *out = (struct contact_state){0};
    if (!(depth_m > 0)) return;
    force.at(force.context, depth_m / length, &f, &slope);
    out->force_n = stiffness * length * f;
    out->stiffness_n_per_m = stiffness * slope;
    out->contact_radius_m = radius_of(law, s, depth_m);
}

/* The record's functions of a model whose law at a setup is NAME_law(). */
#define LAYER_MODEL(name, shape_id)                                                                \
    static void name##_lever(const struct contact_shape *s, const double *t, size_t n,             \
                             struct contact_columns *out)                                          \
    {                                                                                              \
        struct law law = name##_law(s->setup);                                                     \
        struct reduced_force force = force_of(&law);                                               \
        if (shape_id == LAYER_PUNCH)                                                               \
            contact_flat_punch.lever(s, t, n, out);                                                \
        else                                                                                       \
            from_force_lever(&force, s->kappa, t, n, out);                                         \
    }                                                                                              \
    static void name##_force(const struct contact_shape *s, const double *u, size_t n,             \
                             struct contact_columns *out)                                          \
    {                                                                                              \
        struct law law = name##_law(s->setup);                                                     \
        struct reduced_force force = force_of(&law);                                               \
        from_force_force(&force, u, n, out);                                                       \
    }                                                                                              \
    static double name##_length(const struct contact_setup *s)                                     \
    {                                                                                              \
        return length_of(shape_id, s);                                                             \
    }                                                                                              \
    static double name##_chi(const struct contact_setup *s, double depth_m)                        \
    {                                                                                              \
        return chi_of(shape_id, s, depth_m);                                                       \
    }                                                                                              \
    static void name##_physics(const struct contact_setup *s, double length_m, double kappa,       \
                               double pull_n, struct contact_sample *out)                          \
    {                                                                                              \
        struct law law = name##_law(s);                                                            \
        (void)length_m, (void)pull_n;                                                              \
        out->reduced_modulus_pa = kappa * s->spring_n_per_m / width_of(&law, s);                   \
        out->work_j_per_m2 = NAN;                                                                  \
    }                                                                                              \
    static void name##_scales(const struct contact_setup *s, const struct contact_sample *sample,  \
                              double *length_m, double *kappa, double *pull_n)                     \
    {                                                                                              \
        struct law law = name##_law(s);                                                            \
        *length_m = length_of(shape_id, s);                                                        \
        *kappa = sample->reduced_modulus_pa * width_of(&law, s) / s->spring_n_per_m;               \
        *pull_n = 0.0;                                                                             \
    }                                                                                              \
    static void name##_match(const struct contact_setup *s, double x_m, double deflection_m,       \
                             double pull_m, double *length_m, double *kappa)                       \
    {                                                                                              \
        struct law law = name##_law(s);                                                            \
        (void)pull_m;                                                                              \
        match_of(&law, s, x_m, deflection_m, length_m, kappa);                                     \
    }                                                                                              \
    static void name##_state(const struct contact_setup *s, const struct contact_sample *sample,   \
                             double depth_m, struct contact_state *out)                            \
    {                                                                                              \
        struct law law = name##_law(s);                                                            \
        state_of(&law, s, sample, depth_m, out);                                                   \
    }

static struct law sphere_law(const struct contact_setup *s)
{
    return (struct law){.shape = LAYER_SPHERE, .exact = s->layer};
}

static struct law cone_law(const struct contact_setup *s)
{
    return (struct law){.shape = LAYER_CONE, .exact = s->layer};
}

static struct law punch_law(const struct contact_setup *s)
{
    return (struct law){.shape = LAYER_PUNCH, .exact = s->layer};
}

static struct law dimitriadis_law(const struct contact_setup *s)
{
    struct law law = {.shape = LAYER_SPHERE};
    series_dimitriadis(s->sliding_base, s->poisson_ratio, law.c);
    return law;
}

static struct law garcia_sphere_law(const struct contact_setup *s)
{
    struct law law = {.shape = LAYER_SPHERE};
    (void)s;
    series_garcia_sphere(law.c);
    return law;
}

static struct law garcia_cone_law(const struct contact_setup *s)
{
    struct law law = {.shape = LAYER_CONE};
    (void)s;
    series_garcia_cone(law.c);
    return law;
}

static struct law gavara_law(const struct contact_setup *s)
{
    struct law law = {.shape = LAYER_CONE};
    series_gavara_cone(s->sliding_base, s->poisson_ratio, law.c);
    return law;
}

LAYER_MODEL(sphere, LAYER_SPHERE)
LAYER_MODEL(cone, LAYER_CONE)
LAYER_MODEL(punch, LAYER_PUNCH)
LAYER_MODEL(dimitriadis, LAYER_SPHERE)
LAYER_MODEL(garcia_sphere, LAYER_SPHERE)
LAYER_MODEL(garcia_cone, LAYER_CONE)
LAYER_MODEL(gavara, LAYER_CONE)

/* What all these records share. */
#define LAYER_RECORD(functions, shape_id)                                                          \
    .segments = SEGMENT_APPROACH | SEGMENT_RETRACT, .free_kappa = true,                            \
    .modulus_power = {0.0, 1.0}, .layer_shape = shape_id, .layer_ratio = functions##_chi,          \
    .force = functions##_force, .lever = functions##_lever, .fixed_length = functions##_length,    \
    .physics = functions##_physics, .scales = functions##_scales, .match = functions##_match,      \
    .state = functions##_state

#define EXACT_SOURCE                                                                               \
    "integral equation after N. N. Lebedev, Ya. S. Ufliand, J. Appl. Math. Mech. 22 (1958) 442 "   \
    "(volume and page from memory), derived and solved here"
#define EXACT_LIMITS "rigid base, no friction and no adhesion under the tip, small strains; "

const struct contact_model contact_layer_sphere = {
    .name = "layer_sphere",
    .title = "paraboloid on a layer of finite thickness, exact, no adhesion",
    .formula = "F = 4/3 E* sqrt(R) delta^(3/2) g(chi), chi = sqrt(R delta)/h, g from the integral "
               "equation",
    .source = EXACT_SOURCE,
    .limits = EXACT_LIMITS
    "exact up to chi = 4, beyond it continued as a power; depth well below R",
    .needs = NEEDS(tip_radius) | NEEDS(sample_thickness),
    .paraboloid = true,
    .layer_limit = 3.0,
    .layer_exact = true,
    LAYER_RECORD(sphere, LAYER_SPHERE),
};

const struct contact_model contact_layer_cone = {
    .name = "layer_cone",
    .title = "cone on a layer of finite thickness, exact, no adhesion",
    .formula =
        "F = (2/pi) E* tan(half angle) delta^2 g(chi), chi = tan(half angle) delta/h, g from "
        "the integral equation",
    .source = EXACT_SOURCE,
    .limits = EXACT_LIMITS "exact up to chi = 4, beyond it continued as a power; depth large "
                           "against the apex radius",
    .needs = NEEDS(tip_half_angle) | NEEDS(sample_thickness),
    .layer_limit = 3.0,
    .layer_exact = true,
    LAYER_RECORD(cone, LAYER_CONE),
};

const struct contact_model contact_layer_punch = {
    .name = "layer_punch",
    .title = "flat circular punch on a layer of finite thickness, exact, no adhesion",
    .formula = "F = 2 E* a delta g(chi), chi = a/h, g from the integral equation",
    .source = EXACT_SOURCE,
    .limits = EXACT_LIMITS "exact up to chi = 4, beyond it continued as a power; face parallel to "
                           "the surface",
    .needs = NEEDS(tip_radius) | NEEDS(sample_thickness),
    .kink = true,
    .layer_limit = 3.0,
    .layer_exact = true,
    LAYER_RECORD(punch, LAYER_PUNCH),
};

const struct contact_model contact_layer_sphere_dimitriadis = {
    .name = "layer_sphere_dimitriadis",
    .title = "paraboloid on a layer, series of Dimitriadis et al., for comparison",
    .formula = "F = 4/3 E* sqrt(R) delta^(3/2) (1 - (2 a0/pi) chi + (4 a0^2/pi^2) chi^2 - (8/pi^3) "
               "(a0^3 + 4 pi^2 b0/15) chi^3 + (16 a0/pi^4) (a0^3 + 3 pi^2 b0/5) chi^4)",
    .source = "E. K. Dimitriadis et al., Biophys. J. 82 (2002) 2798, general formula (-0.0974 "
              "chi^4 for a bonded base and nu = 0.5); coefficients from memory",
    .limits =
        "error of F against the exact solution (measured): bonded base, nu = 0.5, -0.2 % at chi = "
        "0.1, -1.1 % at 0.2, -8.3 % at 0.5, -20 % at 1; nu = 0.3, -4.2 % at 0.5; sliding "
        "base, nu = 0.5, +7.6 % at 0.5",
    .needs = NEEDS(tip_radius) | NEEDS(sample_thickness),
    .paraboloid = true,
    .layer_limit = 1.0,
    LAYER_RECORD(dimitriadis, LAYER_SPHERE),
};

const struct contact_model contact_layer_sphere_garcia = {
    .name = "layer_sphere_garcia",
    .title = "paraboloid on a layer, series of Garcia and Garcia, for comparison",
    .formula = "F = 4/3 E* sqrt(R) delta^(3/2) (1 + 1.133 chi + 1.497 chi^2 + 1.469 chi^3 + 0.755 "
               "chi^4)",
    .source = "P. D. Garcia, R. Garcia, Biophys. J. 114 (2018) 2923; coefficients from memory",
    .limits =
        "bonded base and nu = 0.5 only; error of F against the exact solution (measured): +0.1 % "
        "at chi = 0.2, +0.7 % at 0.5, +6.4 % at 0.8, +14 % at 1",
    .needs = NEEDS(tip_radius) | NEEDS(sample_thickness),
    .paraboloid = true,
    .layer_limit = 1.0,
    .bonded_only = true,
    LAYER_RECORD(garcia_sphere, LAYER_SPHERE),
};

const struct contact_model contact_layer_cone_garcia = {
    .name = "layer_cone_garcia",
    .title = "cone on a layer, series of Garcia and Garcia, for comparison",
    .formula = "F = (2/pi) E* tan(half angle) delta^2 (1 + 0.721 chi + 0.650 chi^2 + 0.491 chi^3 + "
               "0.225 chi^4)",
    .source = "P. D. Garcia, R. Garcia, Biophys. J. 114 (2018) 2923; coefficients from memory",
    .limits =
        "bonded base and nu = 0.5 only; error of F against the exact solution (measured): within "
        "0.2 % up to chi = 0.8, +1.4 % at 1",
    .needs = NEEDS(tip_half_angle) | NEEDS(sample_thickness),
    .layer_limit = 1.0,
    .bonded_only = true,
    LAYER_RECORD(garcia_cone, LAYER_CONE),
};

const struct contact_model contact_layer_cone_gavara = {
    .name = "layer_cone_gavara",
    .title = "cone on a layer, construction of Gavara and Chadwick, for comparison",
    .formula = "F = (2/pi) E* tan(half angle) delta^2 (1 + q + q^2), q = -4 a0 chi/pi^2",
    .source = "N. Gavara, R. S. Chadwick, Nat. Nanotechnol. 7 (2012) 733, its construction with "
              "the cone's contact radius; the first-order coefficient as remembered is half of "
              "this one (and of the exact one) and could not be looked up",
    .limits =
        "error of F against the exact solution (measured): bonded base, nu = 0.5, -0.7 % at chi "
        "= 0.2, -6.9 % at 0.5, -26 % at 1; nu = 0.3, -3.1 % at 0.5",
    .needs = NEEDS(tip_half_angle) | NEEDS(sample_thickness),
    .layer_limit = 1.0,
    LAYER_RECORD(gavara, LAYER_CONE),
};
