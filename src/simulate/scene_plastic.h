/** A place that yields: loading F = C h^2, unloading F = B (h - h_f)^m from the same peak, as
 *  W. C. Oliver, G. M. Pharr, J. Mater. Res. 7 (1992) 1564 describe them. */
#ifndef CANTLE_SIMULATE_SCENE_PLASTIC_H
#define CANTLE_SIMULATE_SCENE_PLASTIC_H

#include "contact/unloading.h"

#include <stddef.h>

struct plastic {
    double spring_n_per_m, loading; /**< C in N/m2 */
    struct unloading_curve back;
    double depth_m; /**< at the peak */
};

/** Under a cone, from hardness and reduced modulus at the peak force; epsilon 0.75. */
struct plastic plastic_of(double spring_n_per_m, double half_angle_rad, double hardness_pa,
                          double reduced_modulus_pa, double peak_force_n);

/** Deflections d [n] of the lever at displacements x [n] from where the loading begins. */
void plastic_deflection(const struct plastic *p, int unloading, const double *x, size_t n,
                        double *d);

#endif
