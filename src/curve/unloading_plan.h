/** The recipe's section "unloading" into the plan. */
#ifndef CANTLE_CURVE_UNLOADING_PLAN_H
#define CANTLE_CURVE_UNLOADING_PLAN_H

#include "curve/curve.h"

/** Needs out->model and out->lever. Errors: ST_RECIPE for a share or constant out of range, a tip
 * value that the area function reads and nobody gives, or a segment that is not there. */
enum status unloading_plan_make(const struct recipe *recipe, const bool there[SEG_COUNT],
                                struct curve_plan *out, struct report *rep) MUST_CHECK;

/** The area function from plan->lever. */
void unloading_plan_renew(struct curve_plan *plan);

#endif
