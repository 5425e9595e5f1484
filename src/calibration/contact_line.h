/** The deflection sensitivity from curves on a rigid surface.
 *
 *  In contact with a surface that does not yield the end of the lever moves as far as the piezo, so
 * the detector's slope over z is 1/s. The slope off the surface (virtual deflection) is taken off
 * first, as it is from every curve later. A straight line is fitted to a window of the contact,
 * between two shares of the largest signal; a parabola beside it shows whether the detector is
 * linear. */
#ifndef CANTLE_CALIBRATION_CONTACT_LINE_H
#define CANTLE_CALIBRATION_CONTACT_LINE_H

#include <stdbool.h>
#include <stddef.h>

/** One reason a curve is not used; the order is that of the steps. */
#define LINE_FAULT_LIST(F)                                                                         \
    F(none, "used")                                                                                \
    F(absent, "no curve here")                                                                     \
    F(few_samples, "too few samples")                                                              \
    F(clipped, "the detector is at the end of its range")                                          \
    F(no_contact, "no contact, or no part off the surface")                                        \
    F(small_window, "fewer than ten samples in the window")                                        \
    F(not_rising, "the signal does not rise with z in the window")                                 \
    F(outlier, "far from the other curves")

enum line_fault {
#define F(name, words) LINE_##name,
    LINE_FAULT_LIST(F)
#undef F
        LINE_FAULTS
};
extern const char *const line_faults[LINE_FAULTS];

/** Shares of the largest signal over the baseline. */
struct line_window {
    double from, to;
};

struct contact_line {
    enum line_fault fault;
    double slope;     /**< signal for each metre, virtual deflection taken off */
    double slope_u;   /**< from the scatter around the line */
    double base;      /**< slope off the surface */
    double peak;      /**< largest signal over the baseline (mean of the last samples) */
    double curvature; /**< share by which the slope grows from the window's beginning to its end */
    double curvature_u;
    double noise; /**< rms off the surface */
    size_t used;
};

/** One segment, z ascending towards the surface (a retract is handed over reversed in time).
 *  NaN samples are left out. z, signal [n]; scratch [2 n]. */
void contact_line_fit(const double *z, const double *signal, size_t n,
                      const struct line_window *window, double *scratch, struct contact_line *out);

/** All curves of a segment together. */
struct line_summary {
    size_t curves;   /**< used */
    size_t outliers; /**< marked now */
    double slope;    /**< mean */
    double scatter;  /**< standard deviation of single curves */
    double fit_u;    /**< root mean square of what the fits alone would say of single curves */
    double memory;   /**< correlation of neighbours in the order of curves */
    double u;        /**< standard error of the mean: from the scatter, with that memory */
    double curvature, curvature_u; /**< mean and standard error */
};

/** Marks outliers (more than `limit` robust standard deviations from the median: median of absolute
 *  deviations, B. Iglewicz, D. C. Hoaglin, How to Detect and Handle Outliers (1993), who use 3.5)
 * and sums up the rest, in order. A line without fault takes part. scratch [n] */
void contact_lines_sum(struct contact_line *line, size_t n, double limit, double *scratch,
                       struct line_summary *out);

#endif
