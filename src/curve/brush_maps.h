/** What the model of a brush on an elastic body says beside the modulus. */
#ifndef CANTLE_CURVE_BRUSH_MAPS_H
#define CANTLE_CURVE_BRUSH_MAPS_H

#include "curve/curve_private.h"

/** The plan's extent: maps of the brush go with the model. */
void brush_plan(struct curve_plan *plan);

/** brush_length L = 2 pi l exp(extra); elastic_indentation (F/A)^(2/3) at the peak: what of the
 * indentation the body takes. Standard errors from the fit's covariance. */
void brush_measure(const struct curve_plan *plan, const struct lane *lane,
                   const struct contact_fit *fit, struct pixel_result *out);

#endif
