/** A chain fitted to the force before a rupture. */
#ifndef CANTLE_CURVE_TETHER_CHAIN_H
#define CANTLE_CURVE_TETHER_CHAIN_H

#include "contact/chain.h"
#include "curve/curve_private.h"

struct chain_fit {
    struct chain chain;
    double u_length_m, u_unit_m; /**< standard errors; u_unit_m 0 where it is fixed */
    double chi_square;           /**< mean square of the residuals over that of the baseline */
};

/** Least squares of deflection, where the noise is, over samples [from, to) of a retract: the lever
 * at rest x0 = Z0 - z above the surface is bent by the chain (chain_at). Searched are ln L and,
 * unless fixed_unit_m is a number, ln of persistence or Kuhn length.
 *  @param sigma_m  noise of a sample
 *  @param u_zero_m standard error of Z0; that of the baseline is the lane's
 *  @return false where the fit has no minimum inside L in (x_max, 100 x_max), unit in (1 pm, 10 um)
 */
bool chain_fit_run(const struct curve_plan *plan, const struct lane *lane, size_t from, size_t to,
                   double sigma_m, double u_zero_m, struct chain_fit *out);

#endif
