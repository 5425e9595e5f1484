/** Private to curve/: a power law with a free exponent, F = B (h - h_0)^m, fitted where the noise
 * is.
 *
 *  h = z - d is indentation but for its zero, F = k d. With the elastic depth a at a reference
 * deflection, h = h_0 + a (d/d_ref)^(1/m); with t = (h - h_0)/a the lever's balance reads
 *      z - h_0 = d_ref t^m + a t,
 *  which has one t for each z, so that the deflection d = d_ref t^m is a curve over z and its noise
 * is that of the detector alone. Searched: h_0, a, m; the baseline is linear. */
#ifndef CANTLE_CURVE_POWER_FIT_H
#define CANTLE_CURVE_POWER_FIT_H

#include "curve/fit_private.h"

/** Unknowns of the fit. */
enum { POWER_ZERO, POWER_SPAN, POWER_EXPONENT, POWER_SIZE };

struct power_fit {
    bool converged; /**< a minimum inside its bounds, with a covariance */
    double zero_m;  /**< h_0 + the zero of h: z - d where the force is zero */
    double span_m;  /**< a */
    double exponent;
    double reference_m;                 /**< d_ref */
    double level_m;                     /**< what the baseline under the peak rose by */
    double peak_at;                     /**< factor of POWER_SLOPE at the peak */
    double cov[POWER_SIZE][POWER_SIZE]; /**< slope is zero where the baseline is an offset */
    double residual_m;                  /**< rms over the window */
    size_t used;                        /**< samples in the window */
};

/** Samples [0, early) off the surface and the window [from, to) of the contact. */
struct power_window {
    size_t early, from, to;
};

/** Window of samples between shares of the turning point's deflection. */
struct power_window power_window_choose(const struct lane *lane, size_t early, size_t contact,
                                        double from, double to);

enum { POWER_FEWEST = 10 }; /* samples in a window, and off the surface */

/** t at z = x + h_0: the deflection is d_ref t^m, the elastic depth a t; x > 0. */
double power_fit_share(double x, double reference_m, double span_m, double exponent);

/** Errors are those of white noise, or of the noise the residuals show (plan->coloured_noise). */
void power_fit_run(const struct curve_plan *plan, struct curve_work *w, const struct lane *lane,
                   struct power_window window, double most_exponent, struct power_fit *out);

#endif
