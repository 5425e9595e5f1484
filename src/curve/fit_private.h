/** Private to curve/: the contact fit between its files: samples, columns, start values, errors. */
#ifndef CANTLE_CURVE_FIT_PRIVATE_H
#define CANTLE_CURVE_FIT_PRIVATE_H

#include "curve/curve_private.h"
#include "fit/noise.h"

/** Which samples take part, and where contact begins among them. */
struct fit_set {
    size_t n;
    double *z, *y,
        *indent;    /**< [n] z, deflection, z - deflection; baseline found before taken off */
    size_t contact; /**< adhesive: index of the first sample in contact, else 0 */
    size_t likely;  /**< index from where contact is likely */
    size_t gap;     /**< samples were left out before this index; 0 = nowhere */
    bool ascends;   /**< no z of the lane runs back */
    size_t early, skipped; /**< the first `early` ones are the lane's first, then `skipped` are left
                              out: see fit_set_sample */
    double z_scale;
    double pull_m, end_d, end_z; /**< for start values: pull-off, turning point */
    double z_low;                /**< contact point lies above this */
    double off_z,
        off_step; /**< adhesive: where it came off, between two samples, and their distance */
};

/** Attraction that a model without adhesion cannot describe: [begin, end) from where the force
 * leaves zero downwards to where it is back at zero. Empty when nothing stands out of the noise. */
void attractive_samples(const struct lane *lane, size_t *begin, size_t *end);

/** Fill the fit set's arrays of w. Without a contact point (NaN) limits by indentation wait for the
 *  second pass. */
void fit_set_choose(const struct curve_plan *plan, struct curve_work *w, const struct lane *lane,
                    double contact_point, struct fit_set *set);

/** The samples of a set less those from where the indentation first exceeds `depth_m` on. Shares
 * the set's arrays. */
void fit_set_shallow(const struct lane *lane, const struct fit_set *set, double contact_point,
                     double depth_m, struct fit_set *out);

/** Index in the lane of sample i of the set. */
static inline size_t fit_set_sample(const struct fit_set *set, size_t i)
{
    return i < set->early ? i : i + set->skipped;
}

/** Means of blocks of a set, some 32 of them in contact, into w's arrays for them. The blocks are
 * of one size, so they weigh alike; those samples far from contact that fill none stay out.
 *  @return samples in a block; 1: nothing was made, the set is its own blocks */
size_t fit_set_blocks(const struct curve_plan *plan, struct curve_work *w,
                      const struct fit_set *set, struct fit_set *blocks);

/** Mean deflection of up to three samples around i, baseline off. */
double mean_of_three(const struct lane *lane, size_t i);

/** Where a search from close by settles (struct fit_problem): an error of 1e-5 standard errors at
 * most. */
#define SETTLED 1e-9

/** How near, in standard errors, a polished minimum is: nearer than results are kept. */
#define POLISHED 1e-10

/** What the engine's callback needs. */
struct model_context {
    const struct curve_plan *plan;
    struct curve_work *w;
    const struct fit_set *set;
    size_t near; /**< where the last evaluation found the first sample in contact */
};

/** out = (position - z0) / l over [first, n). */
void fit_reduce(const double *position, double z0, double per_l, size_t first, size_t n,
                double *out);

/** l and the shape (kappa, extra) at searched parameters. */
double length_at(const struct curve_plan *plan, const double *theta);
struct contact_shape shape_at(const struct curve_plan *plan, const double *theta);

/** l of a finished fit: of models with length_at_end from where the contact came off, negative if
 * that is no pull-off; of the others length_at. */
double fit_length(const struct curve_plan *plan, const struct fit_set *set,
                  const struct fit_result *r);
/** What that length adds to the derivatives of ln w by the unknowns [FIT_MAX_ALL], and to its
 * variance: the place between two samples is as likely anywhere. Nothing for other models. */
void fit_end_gradient(const struct curve_plan *plan, const struct fit_set *set,
                      const struct fit_result *r, double *ln_work);
double fit_end_variance(const struct curve_plan *plan, const struct fit_set *set,
                        const struct fit_result *r);

/** The least-squares problem over the fit set; white noise. */
void fit_set_problem(const struct curve_plan *plan, struct curve_work *w, const struct fit_set *set,
                     struct model_context *context, struct fit_problem *p);

/** Models with a branch's end and a further number: fit_search with that end searched in the place
 * of Z0, kept before the first sample in contact. In Z0 a step moves the end over samples, and each
 * that has come off leaves a minimum behind, narrow since the slope has no bound there. The result
 * is in Z0. */
bool fit_by_end(const struct curve_plan *plan);
void fit_search_end(const struct fit_problem *p, struct curve_work *w, const double *start,
                    struct fit_result *out);

/** After fit_finish (and the noise's refit) of such a model: the standard error of the further
 * number from its profile, the least sum of squares at each of its values. The signed root of what
 * that rises, in residual variances, is normal where the number itself is not (D. M. Bates, D. G.
 * Watts, Nonlinear Regression Analysis, Wiley 1988, chapter 6; from memory); the error stated is
 * the largest distance over that root within three of them, to either side, also in a dip behind a
 * moderate rise. All covariances follow it, a lower minimum met on the way is taken. Leaves the fit
 * finished at the result. */
void fit_profile(struct curve_work *w, const struct fit_problem *p, struct fit_result *r);

/** What is known of the noise of a fit. */
struct noise {
    size_t order; /**< 0: white */
    double phi[NOISE_MAX_ORDER];
    double slow_ratio; /**< of slow noise at index 1 over white, see noise_slow; 0: none */
    int slow_slope;
    size_t samples; /**< that it was found in */
    double freedom; /**< degrees of freedom that its size is known with; see noise_freedom */
    double slow[FIT_MAX_SLOW];  /**< its power in the cosines of a fit set */
    double gamma[PEAK_SAMPLES]; /**< autocovariance at lags 0, 1, ... */
};

/** Fill `noise` from what a fit with white noise leaves; white unless `coloured`, and where an
 * earlier look found it so and there are samples enough (`known_white`). Overwrites
 * w->model_values. */
void fit_noise_find(const struct curve_plan *plan, bool coloured, bool known_white,
                    struct curve_work *w, const struct lane *lane, const struct fit_set *set,
                    const struct fit_problem *p, const struct fit_result *r, struct noise *noise);

/** Put it into a problem over n samples. */
void fit_noise_use(struct noise *noise, size_t n, struct fit_problem *p);

/** Where no filter can be trusted: the variance of a mean of correlated samples is larger by one
 *  plus twice the sum of their correlations, taken up to the first that is not positive.
 *  @return that factor */
double fit_noise_inflate(const double *rest, size_t n, struct fit_result *r);

/** Noise with a memory: refit with it, from the minimum that white noise found. Where no filter can
 * be trusted, the covariance is inflated and `noise` is white. `smooth`: the model has no
 * kink. @return how many samples weigh as much as one independent one */
double fit_noise_refine(bool smooth, struct curve_work *w, const struct lane *lane,
                        const struct fit_set *set, struct fit_problem *p, struct fit_result *r,
                        struct noise *noise);

/** Start values: writes up to FIT_STARTS parameter sets, best first; returns how many. */
enum { FIT_STARTS = 3 };
int fit_starts(const struct curve_plan *plan, struct curve_work *w, const struct fit_set *blocks,
               double theta[FIT_STARTS][FIT_MAX_THETA]);

/** Make the problem over the set and find its minimum from nothing. @return false where there is
 * none
 */
bool fit_minimum(const struct curve_plan *plan, struct curve_work *w, const struct fit_set *set,
                 struct model_context *context, struct fit_problem *p, struct fit_result *best);

/** Minima between neighbouring samples: start again some samples to either side of the best. */
void fit_neighbours(struct curve_work *w, const struct fit_set *set, const struct fit_problem *p,
                    struct fit_result *best);

/** Covariances of the results from those of the unknowns and of the turning point's samples.
 *  @param gamma  [PEAK_SAMPLES] autocovariance of the noise at lags 0, 1, ... */
void fit_propagate(const struct curve_plan *plan, const struct fit_problem *p,
                   const struct fit_result *r, const struct fit_set *set, struct curve_work *w,
                   const struct lane *lane, double pull_m, const double gamma[PEAK_SAMPLES],
                   struct contact_fit *out);

/** Size and structure of the residuals, samples used, whether a parameter sits at a bound. Leaves
 * the fitted values (baseline taken off before the fit not added) in w->model_values. */
void fit_describe(const struct curve_plan *plan, const struct fit_problem *p, struct curve_work *w,
                  const struct lane *lane, const struct fit_set *set, const struct fit_result *r,
                  struct contact_fit *out);

/** Whether a parameter sits at a bound, or too few samples are in contact. */
bool fit_at_bound(const struct curve_plan *plan, const struct fit_problem *p,
                  const struct fit_set *set, const struct fit_result *r);

/** Variance of ln E*. */
double fit_modulus_variance(const struct curve_plan *plan, const struct fit_result *r);

#endif
