/** An elastic layer of thickness h on a rigid base under a rigid tip, without friction or adhesion:
 *  the exact solution as a smooth universal function, computed once.
 *
 *  For given shape, base and Poisson's ratio the force over that on a half-space at the same
 * indentation, g, and the contact radius over h depend on one number chi:
 *      paraboloid  chi = sqrt(R delta)/h     F_halfspace = 4/3 E* sqrt(R) delta^(3/2)
 *      cone        chi = tan(angle) delta/h  F_halfspace = (2/pi) E* tan(angle) delta^2
 *      punch       chi = a/h                 F_halfspace = 2 E* a delta
 *  The equation is in layer_equation.h. */
#ifndef CANTLE_CONTACT_LAYER_H
#define CANTLE_CONTACT_LAYER_H

#include "base/status.h"

#include <stdbool.h>

enum layer_shape { LAYER_SPHERE, LAYER_CONE, LAYER_PUNCH };

/** The exact functions end here; beyond it they go on as powers of chi with value and slope
 *  continuous, so that a search does not stumble. Such values are not a solution of the equation.
 */
#define LAYER_CHI_MAX 4.0

struct layer;

/** Solve and tabulate: some milliseconds. nu in (-1, 0.5]. Errors: ST_MEMORY. */
enum status layer_new(enum layer_shape shape, bool sliding_base, double poisson_ratio,
                      struct layer **out, struct report *rep) MUST_CHECK;
void layer_free(struct layer *layer); /**< accepts NULL */

/** Whether it was made for these. */
bool layer_is_for(const struct layer *layer, enum layer_shape shape, bool sliding_base,
                  double poisson_ratio);

/** g = F/F_halfspace at chi >= 0, to 1e-10; *slope: dg/dchi. */
double layer_ratio(const struct layer *layer, double chi, double *slope);

/** a/h at chi >= 0, to 1e-10. */
double layer_contact(const struct layer *layer, double chi);

#endif
