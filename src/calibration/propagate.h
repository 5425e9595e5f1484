/** Combined standard uncertainty of results that share inputs: the law of propagation (JCGM
 * 100:2008, 5.1 and 5.2) and, beside it, Monte Carlo with the same inputs for all results (JCGM
 * 101:2008). */
#ifndef CANTLE_CALIBRATION_PROPAGATE_H
#define CANTLE_CALIBRATION_PROPAGATE_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>

enum { PROPAGATE_INPUTS = 40, PROPAGATE_RESULTS = 8 };

/** One input. NaN value: not known, functions that need it give NaN. NaN u: not stated, taken as
 *  zero, and the results that depend on it say so. */
struct unsure {
    double value, u;
    bool positive; /**< drawn as exp(normal) with u/value: it cannot fall below zero; else normal */
};

/** Results y [results] from inputs x [inputs]; NaN where an input is not known. */
typedef void propagate_model(const double *x, double *y, const void *context);

struct propagate_job {
    size_t inputs, results;
    const struct unsure *input;
    /** Correlation of inputs i and j, [inputs][inputs], NULL = none. For a positive input it is
     * that of its logarithm. */
    const double (*correlation)[PROPAGATE_INPUTS];
    propagate_model *model;
    const void *context;
    size_t draws;
    unsigned long seed;
};

struct propagated {
    bool there;
    double value;
    double linear;                        /**< standard uncertainty, law of propagation */
    double part[PROPAGATE_INPUTS];        /**< what each input alone does, signed: c_i u_i */
    double correlation[PROPAGATE_INPUTS]; /**< of result and input, from the linear law */
    double u, mean, low, high; /**< Monte Carlo; interval of 95 %, symmetric in probability */
    bool unstated;             /**< an input that matters has no u: u is a least */
    bool differs;              /**< linear and u part by more than a tenth */
};

/** covariance: of the logarithms of two results over the draws, NULL if not wanted (results that
 *  are not there: NaN). Errors: ST_MEMORY. */
enum status propagate(const struct propagate_job *job, struct propagated *out,
                      double (*covariance)[PROPAGATE_RESULTS], struct report *rep) MUST_CHECK;

#endif
