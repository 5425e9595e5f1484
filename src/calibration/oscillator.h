/** The thermal spectrum of a lever: a damped harmonic oscillator over white and 1/f noise, fitted
 * by maximum likelihood.
 *
 *  Averaged spectral ordinates are gamma distributed around the true spectrum, so least squares (of
 * the power, or worse of its logarithm, whose mean lies below the logarithm of the mean) is not
 * what to minimise. The likelihood of P. Whittle, Ark. Mat. 2 (1953) 423 is l = -(nu/2) sum_j [ ln
 * S_j + P_j/S_j ] with nu the equivalent degrees of freedom. S_j is not the spectrum at the
 * frequency but what the window makes of it (leakage, smoothing of a narrow line, folding at the
 * sampling rate): the transform of autocovariance times the window's autocorrelation (A. M.
 * Sykulski et al., Biometrika 106 (2019) 251). Neighbouring ordinates hang together, so the
 * covariance is H^-1 J H^-1 with J from their known correlation (H. White, Econometrica 50 (1982)
 * 1). */
#ifndef CANTLE_CALIBRATION_OSCILLATOR_H
#define CANTLE_CALIBRATION_OSCILLATOR_H

#include "calibration/spectrum.h"

/** area: mean square of the oscillator, unit^2; resonance: undamped, Hz; quality; white: unit^2/Hz;
 * flicker: density of the 1/f part at the resonance. The two backgrounds may come out slightly
 * below zero: cutting them off there would push the area. */
enum { OSC_area, OSC_resonance, OSC_quality, OSC_white, OSC_flicker, OSC_COUNT };

struct oscillator {
    double value[OSC_COUNT];
    /** of ln area, ln resonance, ln quality, white, flicker */
    double covariance[OSC_COUNT][OSC_COUNT];
    double low_hz, high_hz; /**< what was fitted */
    size_t ordinates;
    double degrees_of_freedom; /**< equivalent ones of an ordinate */
    double misfit;       /**< mean square of P/S - 1 over its expectation: 1 when the model holds */
    double misfit_score; /**< the same as a standard score */
    double whole, whole_u; /**< area of everything above low_hz less both backgrounds, and its
                                standard uncertainty: all modes that the record shows */
};

struct oscillator_wish {
    double near_hz;         /**< where the resonance is sought; NaN = anywhere */
    double low_hz, high_hz; /**< what is fitted; NaN = a twentieth and three times the resonance */
};

/** Fit one spectrum. Errors: ST_INPUT when there is no resonance in it, or too little of it;
 *  ST_MEMORY. */
enum status oscillator_fit(const struct spectrum *s, const struct oscillator_wish *wish,
                           struct oscillator *out, struct report *rep) MUST_CHECK;

/** From records: a rough fit finds the resonance, then segments are made long enough for its line
 * (at least eight ordinates in its width), and fitted. *spectrum is to be freed, also after a
 * failure. */
enum status oscillator_from_records(const struct records *from, const struct oscillator_wish *wish,
                                    struct spectrum *spectrum, struct oscillator *out,
                                    struct report *rep) MUST_CHECK;

/** The fitted density at each ordinate of the spectrum, [s->n]. Errors: ST_MEMORY. */
enum status oscillator_curve(const struct spectrum *s, const struct oscillator *o, double *density,
                             struct report *rep) MUST_CHECK;

#endif
