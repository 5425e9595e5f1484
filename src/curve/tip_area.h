/** The tip's area function from a sample whose modulus is known: Oliver and Pharr's relation asked
 * the other way round.
 *
 *  Each unloading curve gives a contact depth h_c and a stiffness S, and so the area A = pi/4
 * (S/(beta E_r))^2 there (W. C. Oliver, G. M. Pharr, J. Mater. Res. 7 (1992) 1564). Through the
 * areas of many curves goes a function of the depth, linear in its coefficients, with weights for a
 * relative error that is the same everywhere. Its uncertainty has two parts: the scatter of the
 * curves, and what is common to all of them (tip_combine on the factor of the area). */
#ifndef CANTLE_CURVE_TIP_AREA_H
#define CANTLE_CURVE_TIP_AREA_H

#include "curve/curve.h"

struct area_curve {
    bool there;
    double depth_m, area_m2; /**< h_c, A */
    uint64_t flags;
};

/** One curve of a plan with the unloading analysis. reduced_pa: E_r of reference and tip. Not
 * `there` where the unloading was not fitted or has no such exponent. */
void area_of_curve(const struct curve_plan *plan, const struct raw_curve *raw,
                   struct curve_work *work, double reduced_pa, struct area_curve *out);

/** Which terms a function has: name, h^2, h, 1. */
#define AREA_FORM_LIST(F)                                                                          \
    F(quadratic, 1, 0, 0)                                                                          \
    F(linear, 0, 1, 0)                                                                             \
    F(both, 1, 1, 0)                                                                               \
    F(all, 1, 1, 1)

enum area_form {
#define F(name, a, b, c) FORM_##name,
    AREA_FORM_LIST(F)
#undef F
        FORM_COUNT
};
extern const char *const area_form_names[FORM_COUNT];
enum { AREA_TERMS = 3 };

struct area_fit {
    size_t curves, outliers;
    double coefficient[AREA_TERMS]; /**< of h^2, h, 1: as enum area_shape's function; SI */
    double covariance[AREA_TERMS][AREA_TERMS]; /**< from the scatter */
    double scatter;                            /**< relative, of single curves about the function */
    double lowest_m, middle_m, highest_m;      /**< depths: range and median */
};

/** Fit, with curves beyond `limit` robust standard deviations of the scatter marked as not there.
 *  Errors: ST_INPUT where curves or their depths do not suffice for the form, or the function is
 * not above zero over the depths; ST_MEMORY. */
enum status area_fit_make(struct area_curve *curve, size_t n, enum area_form form, double limit,
                          struct area_fit *out, struct report *rep) MUST_CHECK;

/** Area at a depth, and its relative standard error from the scatter. */
double area_fit_at(const struct area_fit *fit, double depth_m, double *relative_u);

/** Curves of neighbouring depths together, as a check of the function. */
struct area_bin {
    size_t n;
    double depth_m, area_m2; /**< means */
    double off, u; /**< mean of the curves over the function, less one; its standard error */
};
enum { AREA_BINS = 8 };
/** Up to AREA_BINS bins of equal ratio of depth, at least five curves each. @return how many */
size_t area_bins(const struct area_curve *curve, size_t n, const struct area_fit *fit,
                 struct area_bin out[AREA_BINS]);

#endif
