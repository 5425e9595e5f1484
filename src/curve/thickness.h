/** Thickness of the sample at a pixel from its contact height above the substrate's plane.
 *
 *  The contact point of a layer model depends on the thickness, and here the thickness on the
 * contact point: h = -Z0(h) - base. Both are found together. The standard errors carry what the
 * noise of this curve does by way of h; the error of the plane is common to the map and is left to
 * the second layer of uncertainty (budget.h). */
#ifndef CANTLE_CURVE_THICKNESS_H
#define CANTLE_CURVE_THICKNESS_H

#include "curve/curve.h"

/** Whether the pixel at x, y is bare substrate: inside the recipe's rectangle, where it gives one,
 * else where the volume marks it. */
bool thickness_is_substrate(const struct curve_plan *plan, double x_m, double y_m, bool marked);

/** The plan for the contact heights of bare substrate: the model of a thick sample under the same
 * tip. It owns nothing; valid as long as `plan`. */
struct curve_plan thickness_substrate_plan(const struct curve_plan *plan);

/** Contact height of a bare pixel from the result of that plan; NaN where there is none that can be
 * trusted. Flags of the modulus do not matter: a hard substrate gives none. */
double thickness_substrate_height(const struct pixel_result *r);

#endif
