/** The lateral (torsion) signal: cross-talk of bending, and what is left in contact. */
#ifndef CANTLE_CURVE_LATERAL_H
#define CANTLE_CURVE_LATERAL_H

#include "curve/curve_private.h"

/** The recipe's section lateral into plan->lateral. Errors: ST_RECIPE for keys that need it
 * switched on, that exclude each other, or that lack their partners. */
enum status lateral_plan(const struct recipe *recipe, struct curve_plan *plan,
                         struct report *rep) MUST_CHECK;

/** The maps of lateral, from the raw lateral samples and the lanes (baseline off).
 *
 *  l = offset + slope z + c d + t: c is the cross-talk (volts of lateral signal for each metre of
 * bending, from a detector that is turned against the lever), t what the contact twists. Offset and
 * slope come from the samples off the surface, each segment by itself, where t = 0.
 *
 *  c, baseline: least squares of l on d off the surface, both with their lines taken off: the
 * lever's own motion shows in both. Noise of the detector in d is taken for motion, so c is too
 * small by the share of it in the variance of the baseline.
 *
 *  c, contact: least squares of l = c d +- (f0 + f1 d) over the samples in contact, + on approach,
 * - on retract: what turns its sign with the direction of motion, as friction does, is not
 * cross-talk. A twist that grows with the load in both directions (a slope of the surface) is.
 *
 *  c, given: the recipe's number with its uncertainty.
 *
 *  Derived here; common practice, no source, is the first one on a curve taken far from the surface
 * and the second one on a flat rigid sample.
 *
 *  Lateral force: torsional constant times torsional sensitivity times t, over the height of the
 * tip. */
void lateral_measure(const struct curve_plan *plan, const struct raw_curve *raw,
                     struct curve_work *w, struct pixel_result *out);

#endif
