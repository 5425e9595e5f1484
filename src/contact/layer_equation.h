/** Private to contact/: the frictionless contact of a rigid tip with an elastic layer on a rigid
 *  base, at a given contact radius, by its integral equation.
 *
 *  With lengths in layer thicknesses h and the contact radius alpha = a/h,
 *      psi(t) - (2/pi) int_0^alpha K(t, s) psi(s) ds = g(t),   0 <= t <= alpha,
 *      K(t, s) = int_0^inf (1 - L(u)) cos(u t) cos(u s) du,
 *  (N. N. Lebedev, Ya. S. Ufliand, J. Appl. Math. Mech. 22 (1958) 442; volume and page from
 *  memory), where L is the compliance of the layer over that of the half-space at wave number u/h:
 *      bonded base   L = (2 k sinh 2u - 4u)/(2 k cosh 2u + 4 u^2 + 1 + k^2),  k = 3 - 4 nu
 *      sliding base  L = (cosh 2u - 1)/(sinh 2u + 2u)
 *  and g = delta - t^2/R (paraboloid), delta - (pi/2) t/tan(angle) (cone), delta (punch). The force
 *  is 2 E* int psi; that psi vanishes at the rim gives the indentation (not for the punch). */
#ifndef CANTLE_CONTACT_LAYER_EQUATION_H
#define CANTLE_CONTACT_LAYER_EQUATION_H

#include "contact/layer.h"

/** Quadratures and scratch for one layer. */
struct layer_equation;

/** NULL without memory. */
struct layer_equation *layer_equation_new(bool sliding, double poisson_ratio);
void layer_equation_free(struct layer_equation *e);

/** 1 - L(u), u > 0; to rounding, also where L is near 0 or 1. */
double layer_softening(bool sliding, double poisson_ratio, double u);

/** Solve at alpha = a/h > 0.
 *  @param chi_per_alpha  chi/alpha, chi as in layer.h
 *  @param ratio          force over that of the half-space at the same indentation */
void layer_equation_solve(struct layer_equation *e, enum layer_shape shape, double alpha,
                          double *chi_per_alpha, double *ratio);

#endif
