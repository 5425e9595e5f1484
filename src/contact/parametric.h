/** Private to contact/: tips without adhesion whose indentation and force are both known as
 *  functions of a parameter s (the contact radius, or a number that grows with it).
 *
 *  For every axisymmetric tip without adhesion dF/d delta = 2 E* a (I. N. Sneddon, Int. J. Eng.
 *  Sci. 3 (1965) 47), so the slope of f gives the contact radius, and t = u + kappa f has a slope
 *  in u of at least 1: t(u) has one root, which a bracketed Newton search in s finds. */
#ifndef CANTLE_CONTACT_PARAMETRIC_H
#define CANTLE_CONTACT_PARAMETRIC_H

#include "contact/by_points.h"

/** One point of a curve. */
struct parametric_point {
    double u, f; /**< reduced indentation and force */
    double u_s;  /**< du/ds */
    double f_u;  /**< df/du */
    double f_us; /**< its derivative by s */
};

/** A tip in reduced form: delta = length_m u(s), F = E* area_m2 f(s). */
struct parametric {
    double length_m, area_m2;
    double number[2]; /**< what the shape must know of itself */
    /** The curve four points at a time, below and beyond the joint, by s or any other number that
     * is 0 where s is 0 (without a joint); NULL: there is none. */
    points_at *points, *points_beyond;
    double joint; /**< s where the curve is not smooth; 0: nowhere */
    /** The point at s > 0; u and f grow with s. */
    struct parametric_point (*at)(const double *number, double s);
    /** An s > 0 in the neighbourhood of the root of u(s) + kappa f(s) = t, t > 0, kappa >= 0. */
    double (*guess)(const double *number, double t, double kappa);
};

/** force() and lever() of contact.h. */
void parametric_force(const struct parametric *p, const double *u, size_t n,
                      struct contact_columns *out);
void parametric_lever(const struct parametric *p, double kappa, const double *t, size_t n,
                      struct contact_columns *out);
/** physics(), scales(), match(), state() of contact.h; the length is fixed, kappa is searched:
 *  kappa = E* area/(k length). */
void parametric_physics(const struct parametric *p, const struct contact_setup *s, double kappa,
                        struct contact_sample *out);
void parametric_scales(const struct parametric *p, const struct contact_setup *s,
                       const struct contact_sample *sample, double *length_m, double *kappa,
                       double *pull_n);
void parametric_match(const struct parametric *p, double x_m, double deflection_m, double *length_m,
                      double *kappa);
void parametric_state(const struct parametric *p, const struct contact_sample *sample,
                      double depth_m, struct contact_state *out);

/** The functions of a record, from `static struct parametric shape##_of(const struct contact_setup
 * *)`; PARAMETRIC_FUNCTIONS names them in the record. */
#define PARAMETRIC(shape)                                                                          \
    static void shape##_force(const struct contact_shape *c, const double *u, size_t n,            \
                              struct contact_columns *out)                                         \
    {                                                                                              \
        struct parametric p = shape##_of(c->setup);                                                \
        parametric_force(&p, u, n, out);                                                           \
    }                                                                                              \
    static void shape##_lever(const struct contact_shape *c, const double *t, size_t n,            \
                              struct contact_columns *out)                                         \
    {                                                                                              \
        struct parametric p = shape##_of(c->setup);                                                \
        parametric_lever(&p, c->kappa, t, n, out);                                                 \
    }                                                                                              \
    static double shape##_length(const struct contact_setup *s)                                    \
    {                                                                                              \
        return shape##_of(s).length_m;                                                             \
    }                                                                                              \
    static void shape##_physics(const struct contact_setup *s, double length_m, double kappa,      \
                                double pull_n, struct contact_sample *out)                         \
    {                                                                                              \
        (void)length_m, (void)pull_n;                                                              \
        struct parametric p = shape##_of(s);                                                       \
        parametric_physics(&p, s, kappa, out);                                                     \
    }                                                                                              \
    static void shape##_scales(const struct contact_setup *s, const struct contact_sample *sample, \
                               double *length_m, double *kappa, double *pull_n)                    \
    {                                                                                              \
        struct parametric p = shape##_of(s);                                                       \
        parametric_scales(&p, s, sample, length_m, kappa, pull_n);                                 \
    }                                                                                              \
    static void shape##_match(const struct contact_setup *s, double x_m, double deflection_m,      \
                              double pull_m, double *length_m, double *kappa)                      \
    {                                                                                              \
        (void)pull_m;                                                                              \
        struct parametric p = shape##_of(s);                                                       \
        parametric_match(&p, x_m, deflection_m, length_m, kappa);                                  \
    }                                                                                              \
    static void shape##_state(const struct contact_setup *s, const struct contact_sample *sample,  \
                              double depth_m, struct contact_state *out)                           \
    {                                                                                              \
        struct parametric p = shape##_of(s);                                                       \
        parametric_state(&p, sample, depth_m, out);                                                \
    }

#define PARAMETRIC_FUNCTIONS(shape)                                                                \
    .force = shape##_force, .lever = shape##_lever, .fixed_length = shape##_length,                \
    .physics = shape##_physics, .scales = shape##_scales, .match = shape##_match,                  \
    .state = shape##_state

#endif
