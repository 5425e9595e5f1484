/** Private to contact/: published series for F/F_halfspace of a layer, as polynomials
 *  1 + c[0] chi + ... + c[3] chi^4. Kept to be compared with the exact solution (layer.h): their
 *  errors are in docs/methods.md. All coefficients are from memory. */
#ifndef CANTLE_CONTACT_LAYER_SERIES_H
#define CANTLE_CONTACT_LAYER_SERIES_H

#include <stdbool.h>

enum { SERIES_ORDER = 4 };

/** The polynomials end here; beyond it they go on as a power of chi with value and slope
 * continuous, since a polynomial may turn down again. */
#define SERIES_CHI_MAX 1.6

/** E. K. Dimitriadis et al., Biophys. J. 82 (2002) 2798: paraboloid, general Poisson's ratio; the
 *  general formula, whose last term is -0.0974 chi^4 for a bonded base and nu = 0.5 (the rounded
 *  series is printed with +0.0975). */
void series_dimitriadis(bool sliding_base, double poisson_ratio, double c[SERIES_ORDER]);

/** P. D. Garcia, R. Garcia, Biophys. J. 114 (2018) 2923: bonded base, nu = 0.5. */
void series_garcia_sphere(double c[SERIES_ORDER]);
void series_garcia_cone(double c[SERIES_ORDER]);

/** N. Gavara, R. S. Chadwick, Nat. Nanotechnol. 7 (2012) 733: cone. The first-order coefficient as
 *  remembered, 2 |alpha0|/pi^2, is half of the exact one and could not be looked up; this is the
 * same construction with the cone's contact radius a = (2/pi) tan delta: 1 + q + q^2,
 * q = 4 |alpha0| chi/pi^2. */
void series_gavara_cone(bool sliding_base, double poisson_ratio, double c[SERIES_ORDER]);

/** The sum at chi >= 0; *slope: by chi. */
double series_ratio(const double c[SERIES_ORDER], double chi, double *slope);

#endif
