/** Private to contact/: an adhesive sphere between DMT and JKR, whose depth and force are both
 * known as functions of a parameter p that grows with depth, and of the transition parameter
 * lambda.
 *
 *  Normalised after D. Maugis, J. Colloid Interface Sci. 150 (1992) 243, with K = 4/3 E*:
 *      u = delta / l,  l = (pi^2 w^2 R / K^2)^(1/3)
 *      f = F / P,      P = pi w R,  kappa = P / (k l)
 *      a in units of sqrt(l R) = (pi w R^2 / K)^(1/3)
 *  so that w = kappa k l / (pi R) and K = kappa k / sqrt(R l) whatever lambda is.
 *
 *  Both u + kappa f and f alone are convex in p where they rise, and have at most one minimum (seen
 *  on a grid over all kappa and lambda, a unit test repeats it): the branch ends there, or at
 * p_low.
 */
#ifndef CANTLE_CONTACT_TRANSITION_H
#define CANTLE_CONTACT_TRANSITION_H

#include "contact/by_points.h"

struct transition_point {
    double u, f, radius;     /**< reduced depth, force, contact radius */
    double u_p, f_p;         /**< by p */
    double u_extra, f_extra; /**< by ln lambda at fixed p */
};

enum { TRANSITION_NUMBERS = 16 };

/** One lambda's curve. */
struct transition {
    double p_low; /**< smallest p */
    struct transition_point (*at)(const double *number, double p);
    points_at *points;                 /**< at() four at a time */
    double number[TRANSITION_NUMBERS]; /**< what `at` must know */
};

/** force(), lever(), branch_end(), physics(), scales(), match(), state() of contact.h. */
void transition_force(const struct transition *c, const double *u, size_t n,
                      struct contact_columns *out);
void transition_lever(const struct transition *c, double kappa, const double *t, size_t n,
                      struct contact_columns *out);
void transition_branch_end(const struct transition *c, double kappa,
                           struct contact_branch_end *out);
void transition_physics(const struct contact_setup *s, double length_m, double kappa, double pull_n,
                        struct contact_sample *out);
void transition_scales(const struct contact_setup *s, const struct contact_sample *sample,
                       double *length_m, double *kappa, double *pull_n);
void transition_match(const struct transition *c, double x_m, double deflection_m, double pull_m,
                      double *length_m, double *kappa);
void transition_state(const struct transition *c, const struct contact_setup *s,
                      const struct contact_sample *sample, double depth_m,
                      struct contact_state *out);

/** Pull-off force under load control over pi w R. */
double transition_pull_off(const struct transition *c);

/** Smallest and largest ln lambda to search, and where to begin. */
extern const double transition_range[3];

/** lambda that start values reckon with: the fixed one, else where the search begins. */
double transition_start(const struct contact_setup *s);

/** Tabor's parameter mu = (R w^2/(E*^2 z0^3))^(1/3). D. Tabor, J. Colloid Interface Sci. 58 (1977)
 * 2. lambda = 1.157 mu (K. L. Johnson, J. A. Greenwood, J. Colloid Interface Sci. 192 (1997) 326).
 */
double contact_tabor(double radius_m, double reduced_modulus_pa, double work_j_per_m2, double z0_m);
extern const double contact_lambda_per_tabor;

/** The functions of a record, from `static struct transition name##_of(double lambda)`;
 *  TRANSITION_FUNCTIONS names them in the record. */
#define TRANSITION(name)                                                                           \
    static void name##_force(const struct contact_shape *s, const double *u, size_t n,             \
                             struct contact_columns *out)                                          \
    {                                                                                              \
        struct transition c = name##_of(exp(s->extra));                                            \
        transition_force(&c, u, n, out);                                                           \
    }                                                                                              \
    static void name##_lever(const struct contact_shape *s, const double *t, size_t n,             \
                             struct contact_columns *out)                                          \
    {                                                                                              \
        struct transition c = name##_of(exp(s->extra));                                            \
        transition_lever(&c, s->kappa, t, n, out);                                                 \
    }                                                                                              \
    static void name##_branch_end(const struct contact_shape *s, struct contact_branch_end *out)   \
    {                                                                                              \
        struct transition c = name##_of(exp(s->extra));                                            \
        transition_branch_end(&c, s->kappa, out);                                                  \
    }                                                                                              \
    static void name##_match(const struct contact_setup *s, double x_m, double deflection_m,       \
                             double pull_m, double *length_m, double *kappa)                       \
    {                                                                                              \
        struct transition c = name##_of(transition_start(s));                                      \
        transition_match(&c, x_m, deflection_m, pull_m, length_m, kappa);                          \
    }                                                                                              \
    static void name##_state(const struct contact_setup *s, const struct contact_sample *sample,   \
                             double depth_m, struct contact_state *out)                            \
    {                                                                                              \
        struct transition c = name##_of(exp(sample->extra));                                       \
        transition_state(&c, s, sample, depth_m, out);                                             \
    }

#define TRANSITION_FUNCTIONS(name)                                                                 \
    .needs = NEEDS(tip_radius), .segments = SEGMENT_RETRACT, .adhesive = true, .paraboloid = true, \
    .free_length = true, .free_kappa = true, .has_extra = true,                                    \
    .may_use = NEEDS(maugis_parameter), .modulus_power = {-0.5, 1.0}, .work_power = {1.0, 1.0},    \
    .extra_range = transition_range, .physics = transition_physics, .scales = transition_scales,   \
    .force = name##_force, .lever = name##_lever, .branch_end = name##_branch_end,                 \
    .match = name##_match, .state = name##_state

#endif
