/** Separable least squares: y = sum_j c_j b_j + f(theta), the c_j eliminated, theta searched.
 *
 *  G. H. Golub, V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413: with the linear columns b_j
 * projected out, only the few non-linear parameters are left; here b_j do not depend on theta, so
 * the projection is computed once. Search: D. W. Marquardt, J. SIAM 11 (1963) 431. Knows numbers
 * only. */
#ifndef CANTLE_FIT_SEPARABLE_H
#define CANTLE_FIT_SEPARABLE_H

#include <stdbool.h>
#include <stddef.h>

enum { FIT_MAX_SLOW = 48 };
enum { FIT_MAX_THETA = 8, FIT_MAX_LINEAR = 4, FIT_MAX_ALL = FIT_MAX_THETA + FIT_MAX_LINEAR };

/** The model: f(theta) and its derivatives at samples [first, n); zero before `first`. */
struct fit_columns {
    size_t first;
    double *f;                       /**< [n] */
    double *jacobian[FIT_MAX_THETA]; /**< [n] each: df/dtheta_j */
};
typedef void fit_model(const double *theta, struct fit_columns *out, void *context);

struct fit_problem {
    size_t ar_order;  /**< noise with a memory: order of its autoregressive model, 0 = white */
    const double *ar; /**< [ar_order] noise_i = sum_j ar[j] noise_(i-1-j) + white */
    size_t slow_n; /**< slow noise (1/f, drift): lowest cosines 1 .. slow_n that it has power in */
    const double
        *slow_power; /**< [slow_n] its power in each, in units of the white noise's variance */
    size_t gap; /**< samples are missing before this index (the filter begins anew); 0 = nowhere */
    size_t n;   /**< samples */
    const double *y;                      /**< [n] observations, equal weight */
    size_t n_linear;                      /**< columns b_j, linearly independent */
    const double *linear[FIT_MAX_LINEAR]; /**< [n] each */
    size_t n_theta;
    double low[FIT_MAX_THETA], high[FIT_MAX_THETA]; /**< steps are clipped to this box */
    double scale[FIT_MAX_THETA]; /**< size of a step that matters, for the stopping rule */
    double settle; /**< stop when what is left to gain is below this share of a residual variance,
                        i.e. the last step is its root in standard errors; 0: 1e-8 */
    bool close;    /**< the start is within a few standard errors: first steps are not damped */
    bool again; /**< the last search of this problem began not far from here: its differences from
                     the observations serve again */
    fit_model *model;
    void *context;
};

struct fit_result {
    double theta[FIT_MAX_THETA];
    double linear[FIT_MAX_LINEAR];               /**< c_j */
    double sum_squares;                          /**< of the residuals */
    size_t degrees_of_freedom;                   /**< n - n_theta - n_linear */
    double covariance[FIT_MAX_ALL][FIT_MAX_ALL]; /**< theta first, then c; white noise, its variance
                                                      estimated from the residuals */
    bool converged;
    bool singular; /**< covariance could not be computed: entries are NaN */
    int iterations;
};

/** Buffers for up to n_max samples. NULL without memory. */
struct fit_work;
struct fit_work *fit_work_new(size_t n_max);
size_t fit_work_bytes(size_t n_max); /**< what it takes */
void fit_work_free(struct fit_work *w);

/** With ar_order > 0 every column and the observations go through the filter that makes the noise
 *  white, so that the fit is generalised least squares (A. C. Aitken, Proc. R. Soc. Edinburgh 55
 * (1935) 42); the first ar_order samples, and those after the gap,  serve as its start.
 * Slow noise is taken as random amplitudes of the lowest cosines over the samples, of known
 * variance: each column's part along such a cosine is shrunk by 1/sqrt(1 + power).
 *
 *  Prepare the linear columns of a problem (orthonormal basis, projected observations). Call it
 * once, then fit_search from one or several starts.
 *  @return false if the linear columns are dependent or n <= n_linear + n_theta */
bool fit_prepare(const struct fit_problem *p, struct fit_work *w);

/** Search from a start; out->theta, sum_squares, converged, iterations are filled. */
void fit_search(const struct fit_problem *p, struct fit_work *w, const double *start,
                struct fit_result *out);

/** After fit_search: Gauss-Newton steps until the next is shorter than so many standard errors, so
 * that the minimum does not tell from where it was found. Where steps do not shrink (a minimum with
 * a kink) nothing changes. */
void fit_polish(const struct fit_problem *p, struct fit_work *w, double standard_errors,
                struct fit_result *io);
/** The same from a start so far off that its derivatives mislead: up to 500 short steps first.
 * Slow; the contact fit takes its starts from a scan and has no need of it. */
void fit_search_far(const struct fit_problem *p, struct fit_work *w, const double *start,
                    struct fit_result *out);

/** Linear coefficients and covariance at out->theta. */
void fit_finish(const struct fit_problem *p, struct fit_work *w, struct fit_result *out);

/** Covariance of every unknown (theta first, then c) with the weighted sum of observations
 *  sum_i weight[i] y[first + i], i < m: what is needed when a result uses a sample beside the fit.
 * Call it after fit_finish. */
void fit_covariance_with(const struct fit_problem *p, struct fit_work *w,
                         const struct fit_result *at, size_t first, size_t m, const double *weight,
                         double out[FIT_MAX_ALL]);

/** Residuals of the last fit_finish, [n], whitened if the problem has a filter. */
const double *fit_residuals(const struct fit_work *w);

/** The model's values with the linear part, [n], at a finished result. */
void fit_values(const struct fit_problem *p, struct fit_work *w, const struct fit_result *at,
                double *values);

#endif
