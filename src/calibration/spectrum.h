/** Averaged spectra of recordings: P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70.
 *
 *  Segments under a Hann window, half overlapping, each with its mean taken off. What follows needs
 * the statistics of the ordinates, so they are kept with the spectrum: D. B. Percival, A. T.
 * Walden, Spectral Analysis for Physical Applications (1993), sections 6.3 and 6.17. */
#ifndef CANTLE_CALIBRATION_SPECTRUM_H
#define CANTLE_CALIBRATION_SPECTRUM_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>

enum { SPECTRUM_NEIGHBOURS = 4 };

/** Records of one channel, one after the other: record r is x[r * n .. r * n + n - 1]. */
struct records {
    const double *x; /**< borrowed */
    size_t n, count;
    double rate_hz;
};

struct spectrum {
    size_t n;        /**< ordinates */
    double *hz;      /**< [n] ascending */
    double *density; /**< [n] one-sided, unit^2/Hz */
    double step_hz;
    /** Covariance of ordinates j and j + m over the product of their expectations, m < NEIGHBOURS:
     * spread[0] = 2/(equivalent degrees of freedom). */
    double spread[SPECTRUM_NEIGHBOURS];
    size_t segment;  /**< samples of a segment; 0: the spectrum was not made here and is a sum of
                          points, not smoothed by a window */
    size_t segments; /**< averaged, overlapping ones counted whole */
    double rate_hz;
    double *lag; /**< [segment] autocorrelation of the window, 1 at 0; NULL if segment is 0 */
};

/** Welch's average over all records. segment: samples, at most records->n, at least 16, even.
 *  Errors: ST_MEMORY; ST_INPUT for a segment that does not fit. Free with spectrum_free. */
enum status spectrum_welch(const struct records *from, size_t segment, struct spectrum *out,
                           struct report *rep) MUST_CHECK;

/** A spectrum made elsewhere: `averages` independent ones under a Hann window (hann), so that
 *  neighbours hang together and lines are smoothed, or under none. hz, density [n] are copied.
 *  Frequencies must ascend in equal steps. Errors: ST_INPUT, ST_MEMORY. */
enum status spectrum_given(const double *hz, const double *density, size_t n, double averages,
                           bool hann, struct spectrum *out, struct report *rep) MUST_CHECK;

/** Accepts one that is all zeros. */
void spectrum_free(struct spectrum *s);

#endif
