/** Rupture events on the retract: where, how many, how strong; and the chain that broke last. */
#ifndef CANTLE_CURVE_TETHERS_H
#define CANTLE_CURVE_TETHERS_H

#include "curve/curve_private.h"

/** The recipe's section tethers into plan->tethers. Errors: ST_RECIPE for keys that need it
 * switched on, or that exclude each other. */
enum status tethers_plan(const struct recipe *recipe, struct curve_plan *plan,
                         struct report *rep) MUST_CHECK;

/** Level a standard normal statistic must pass at one of n neighbouring places for a false alarm
 * rate of `alarm` a curve. Neighbours are correlated by `next` (at a distance of one sample), which
 * falls off linearly: expected number of excursions n (1 - next) t phi(t) nu(t sqrt(2 (1 - next)))
 * + Q(t), nu(x) = (2/x)(Phi(x/2) - 1/2)/((x/2) Phi(x/2) + phi(x/2)); D. Siegmund, B. Yakir, The
 * Statistics of Gene Mapping, Springer 2007, ch. 5 (from memory; the rate is measured in
 * docs/cells.md). */
double tethers_threshold(double alarm, double n, double next);

/** The maps and flags of tethers, from the retract lane (baseline off, separation set).
 *
 *  At each place two lines of W samples, one on either side, are continued to the middle between
 * the two samples there. Their difference is the step; slopes on either side and a change of slope
 * do not make one. Its standard error is sigma sqrt(2 v), v = (1 + 3 W^2/(W^2 - 1))/W. A place
 * counts when the force jumps towards zero by more than tethers_threshold standard errors, and by
 * more than anywhere within half a window.
 *
 *  sigma is that of the baseline, or larger where the scatter of the steps over the baseline itself
 * is (noise with a memory), or where the lines do not describe the samples.
 *
 *  The error of the place: 26 sigma^4/step^4 samples squared (Y.-C. Yao, Ann. Statist. 15 (1987)
 * 1321, from memory: limit of small steps) and 1/12, times the distance of samples; and that of the
 * contact point. */
void tethers_measure(const struct curve_plan *plan, struct curve_work *w,
                     const struct contact_fit *fit, struct pixel_result *out);

#endif
