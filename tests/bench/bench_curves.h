/** Curves that the measurements of this folder share: simulated before a clock starts, each one
 * new, so that nothing is learnt from the last. */
#ifndef CANTLE_BENCH_CURVES_H
#define CANTLE_BENCH_CURVES_H

#include "curve/curve.h"

enum { BENCH_SAMPLES = 512 };

/** Rubber-like, 2 MPa within a factor 2, about half of the ramp in contact; the retract adheres. */
struct bench_curves {
    int count;
    double z[BENCH_SAMPLES], z_back[BENCH_SAMPLES]; /**< m, in the order of time */
    double *go, *back;                              /**< [count][BENCH_SAMPLES], m */
};

/** A plan with lever k = 0.5 N/m, R = 100 nm, no limits, the whole contact in the fit, all checks
 * of the default recipe on. */
struct curve_plan bench_plan(const char *model, enum segment_id segment);

/** @param noise_m  rms of the white noise of the deflection. Always the same curves. */
struct bench_curves bench_curves_make(int count, double noise_m);
void bench_curves_free(struct bench_curves *c);

/** Curve k as the volume would hand it over. */
struct raw_curve bench_raw(const struct bench_curves *c, int k, bool with_retract);

/** Time this process used of a processor, s. */
double bench_cpu_s(void);

/** Sorts the values. */
double bench_median(double *values, int n);

#endif
