/** Modulus and work of adhesion of a JKR contact from two points of its retract curve: the force
 *  minimum and zero force. Only the difference of their depths counts, so no contact point is
 * needed. */
#ifndef CANTLE_CONTACT_TWO_POINT_H
#define CANTLE_CONTACT_TWO_POINT_H

/** What two points say. */
struct two_point {
    double big_k_pa;           /**< K = 4/3 E* */
    double reduced_modulus_pa; /**< E* */
    double work_j_per_m2;      /**< w */
};

/** ((1 + 16^(1/3))/3)^(3/2). It gives K; the factor for E* is 3/4 of it, 0.953. */
extern const double two_point_factor;

/** K = C |F1|/sqrt(R (delta0 - delta1)^3), w = 2 |F1|/(3 pi R). Y. Sun, B. Akhremitchev, G. C.
 * Walker, Langmuir 20 (2004) 5837 and ISO 21222:2020 (both named from memory; the factor is derived
 * from the JKR equations).
 *  @param pull_off_n    |F1|, the depth of the force minimum
 *  @param zero_depth_m  delta0, depth at zero force; must be above
 *  @param pull_depth_m  delta1, depth at the minimum; else all is NaN */
struct two_point contact_two_point(double radius_m, double pull_off_n, double zero_depth_m,
                                   double pull_depth_m);

#endif
