/** Modulus against indentation: E in windows of depth. */
#ifndef CANTLE_CURVE_DEPTH_H
#define CANTLE_CURVE_DEPTH_H

#include "curve/curve_private.h"

/** Windows of the recipe into the plan's extent. Errors: ST_RECIPE where windows are asked for and
 * their depth is not given, or the other way round. */
enum status depth_plan(const struct recipe *recipe, struct curve_plan *plan,
                       struct report *rep) MUST_CHECK;

/** MAP_depth_modulus and the layers behind it.
 *
 *  Window j reaches from indentation j h to (j + 1) h. There the slope of the measured force over
 * z is divided by the slope over z of the force that the fitted model has at the measured
 * indentations; E of the window is E of the fit times this quotient. On a homogeneous sample all
 * windows have the fit's E; where F(delta) grows as E(delta) dG, each has its own. z carries no
 * noise of the detector, so the quotient is not biased by noise that enters force and indentation
 * together (instrumental variable, the z of the window). Derived here; that E is looked at window
 * by window goes back to C. Roduit et al., Biophys. J. 97 (2009) 674 (from memory).
 *
 *  The standard error holds the noise of the window's samples, the uncertainty of contact point and
 * baseline, and how they hang together. A window that the curve does not reach, or with fewer than
 * eight samples, is NaN. */
void depth_measure(const struct curve_plan *plan, struct curve_work *w, const struct lane *lane,
                   const struct contact_fit *fit, struct pixel_result *out);

#endif
