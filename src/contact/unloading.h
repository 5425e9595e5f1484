/** Unloading after plastic deformation: stiffness, contact depth, area, hardness, modulus.
 *
 *  W. C. Oliver, G. M. Pharr, J. Mater. Res. 7 (1992) 1564, and 19 (2004) 3: what springs back is
 * elastic, so the slope of the unloading curve where it begins tells the modulus whatever the
 * loading did. The test method is ISO 14577-1. */
#ifndef CANTLE_CONTACT_UNLOADING_H
#define CANTLE_CONTACT_UNLOADING_H

/** One row a shape: projected area of contact A against the contact depth h. `tip`: what of the tip
 * it reads. */
#define AREA_LIST(A)                                                                               \
    A(function, "factor (quadratic h^2 + linear h + constant)")                                    \
    A(paraboloid, "2 pi R h")                                                                      \
    A(sphere, "pi (2 R h - h^2), up to h = R")                                                     \
    A(cone, "pi (h tan(half angle))^2")                                                            \
    A(pyramid, "4 (h tan(face angle))^2")                                                          \
    A(berkovich, "24.5 h^2")

enum area_shape {
#define A(name, words) AREA_##name,
    AREA_LIST(A)
#undef A
        AREA_COUNT
};

/** What a shape does not read may be NaN. */
struct area_function {
    enum area_shape shape;
    double radius_m, half_angle_rad, face_angle_rad;
    double quadratic, linear_m, constant_m2; /**< the function's coefficients */
    double factor;                           /**< on the area of any shape */
};

/** m2; NaN where it is not above zero, or beyond a sphere's middle. */
double area_at(const struct area_function *f, double contact_depth_m);

/** Constants of the method. */
struct unloading_law {
    double epsilon; /**< of the contact depth: 0.75 paraboloid, 0.72 cone, 1 flat punch */
    double beta;    /**< of the stiffness: 1 for a round tip */
    struct area_function area;
};

struct unloading_state {
    double contact_depth_m;    /**< h_c = h_max - epsilon P/S */
    double area_m2;            /**< A(h_c) */
    double reduced_modulus_pa; /**< E_r = sqrt(pi) S/(2 beta sqrt(A)): both bodies */
    double hardness_pa;        /**< H = P/A */
};

/** From peak force (N), contact stiffness there (N/m) and depth (m). Entries are NaN where there is
 * no area. */
struct unloading_state unloading_at(const struct unloading_law *law, double force_n,
                                    double stiffness_n_per_m, double depth_m);

/** A = pi/4 (S/(beta E_r))^2: the same the other way round, for a sample of known modulus. */
double unloading_area(const struct unloading_law *law, double stiffness_n_per_m,
                      double reduced_modulus_pa);

/** P = B (h - h_f)^m and its slope; zero where h <= h_f. */
struct unloading_curve {
    double b, residual_m, exponent; /**< B in N/m^m */
};
double unloading_force(const struct unloading_curve *c, double depth_m, double *stiffness_n_per_m);

#endif
