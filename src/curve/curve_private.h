/** Private to curve/: one segment in work, and the steps from samples to results. */
#ifndef CANTLE_CURVE_CURVE_PRIVATE_H
#define CANTLE_CURVE_CURVE_PRIVATE_H

#include "curve/curve.h"
#include "fit/separable.h"

enum { SMALLEST_CURVE = 32 }; /* samples: below this no segment is analysed */
enum { PEAK_SAMPLES = 5 };    /* at the turning point, see find_turning_point */

/** Order of the covariances of a contact fit. */
enum {
    COV_LN_MODULUS,
    COV_CONTACT_POINT,
    COV_LN_WORK,
    COV_EXTRA,
    COV_DEPTH,
    COV_PEAK,
    COV_THICKNESS, /* zero where the thickness is given */
    COV_SIZE
};

/** A segment with z ascending (a retract is reversed in time): off the surface first. */
struct lane {
    size_t n;
    double *z, *d;                    /**< [n] m, m */
    double *flat, *force;             /**< [n] d with the baseline taken off; m, N */
    double *separation;               /**< [n] m, for the trace alone: see lane_separation */
    double zero;                      /**< z - d at which the separation is nil, m */
    double d_low, d_high;             /**< smallest and largest d */
    double rough_noise;               /**< m, found without knowing the curve */
    double largest_bend;              /**< m, largest second difference */
    double lowest;                    /**< smallest of flat, m */
    size_t lowest_at;                 /**< the first sample with it */
    double z_ref, offset, slope;      /**< baseline: offset + slope (z - z_ref) */
    double off_offset, off_slope;     /**< the same as found before the contact fit */
    size_t found_end;                 /**< samples the baseline search took as off the surface */
    size_t quiet_end;                 /**< samples the off-surface line was fitted to */
    size_t baseline_end;              /**< samples [0, baseline_end) are off the surface */
    double noise;                     /**< rms of the baseline's residuals, m */
    double baseline_var[3];           /**< var(level at z_ref), cov(level, slope), var(slope) */
    size_t missing, total;            /**< samples left out, samples there were */
    bool ascends;                     /**< no z is below the one before */
    bool runs_back;                   /**< z is not monotonic */
    double peak_d, peak_z;            /**< turning point: deflection (baseline off), z */
    double peak_weight[PEAK_SAMPLES]; /**< peak_d = sum of weight times the last samples, less
                                         baseline */
    double peak_sample_error,
        peak_error; /**< standard error from these samples; and with the baseline's */
};

/** What the contact fit found, in physical terms. */
struct contact_fit {
    bool done; /**< a fit was made: the values below are numbers; without it contact_point may still
                    be one, where a layer model had no layer to fit */
    bool converged, at_bound;
    struct contact_sample sample; /**< E*, w and the model's further number */
    double contact_point, pull_n;
    double cov[COV_SIZE][COV_SIZE]; /**< of ln E*, Z0, ln w, extra, depth, deflection at the turning
                                       point, h */
    double residual_m;              /**< rms over the samples in contact */
    double chi_square;           /**< mean square in contact over that of the baseline, whitened */
    double deepest;              /**< indentation at the end of the fitted range */
    double runs;                 /**< score of the number of runs in contact, whitened */
    double whole_rms, effective; /**< of all residuals, whitened, m; independent samples in it */
    double slow_ratio;           /**< slow noise over white noise; 0: none */
    double half_modulus, half_var; /**< E* over the shallow half, variance of its logarithm */
    size_t used, in_contact, noise_order;
    double length, kappa;
};

struct curve_work {
    size_t n_max;
    double *block;
    struct lane lane[2];                      /**< 0 approach, 1 retract */
    double *fz, *fy, *ones, *ramp, *pull;     /**< fit set: z, deflection, linear columns */
    double *block_z, *block_y, *block_indent; /**< means of blocks of the fit set */
    double *reduced;                          /**< reduced displacement or depth */
    struct contact_columns columns;           /**< what lever() or force() make of it */
    double *indent;                           /**< fit in force space: z - deflection */
    double *model_values;                     /**< fit set: fitted values, residuals */
    double *scratch;                          /**< [2 n] */
    double *sums[3];                          /**< [n + 1] running sums */
    double *model;                            /**< [n] trace: fitted deflection */
    uint8_t *in_fit;                          /**< [n] trace */
    struct fit_work *fit;
    struct time_work *time; /**< in_time.h */
    bool tracing;           /**< fill model and in_fit */
};

/** The detector's numbers as deflections, in the order they come or `backward`. */
void segment_deflections(const struct curve_plan *plan, enum signal_stage stage,
                         const double *signal, size_t n, bool backward, double *out);

/** Detector -> deflection, missing samples dropped, z ascending. */
void lane_fill(const struct curve_plan *plan, const struct raw_curve *raw, enum segment_id seg,
               struct lane *lane);

/** Noise without knowing the curve, from the scatter of second differences, and the largest of
 * them: rough_noise and largest_bend. @param scratch [n]; n >= 3 */
void lane_find_rough_noise(struct lane *lane, double *scratch);

/** Take out single samples far from both neighbours, which agree with each other; needs
 * these two. @return how many */
size_t lane_drop_spikes(struct lane *lane, bool retract, double *scratch);

/** Grow the off-surface part from the far end, then as lane_take_baseline. */
void lane_find_baseline(const struct curve_plan *plan, struct lane *lane);

/** Samples [0, end) are off the surface: fit them, fill offset, slope, noise and baseline_end, and
 * flatten the lane. */
void lane_take_baseline(const struct curve_plan *plan, size_t end, struct lane *lane);

/** Running sums of a straight-line fit, relative to (z0, d0). */
struct line_sums {
    double n, z, d, zz, zd, dd, z0, d0;
};
struct line {
    double slope, z_mean, level, szz, rms; /**< rms: scatter with its degrees of freedom */
};
void line_add(struct line_sums *s, double z, double d);
/** Order 1: line; 0: constant (slope 0). */
struct line line_through(const struct line_sums *s, int order);

/** Standard error of the baseline at z. */
double lane_baseline_error(const struct lane *lane, double z);

/** flat = d - baseline, force = k flat, and the lowest of flat. */
void lane_flatten(const struct curve_plan *plan, struct lane *lane);

/** Deflection at the last sample and its error; needs flat's baseline and its noise. */
void lane_find_turning_point(struct lane *lane);

/** Both. */
void lane_set_force(const struct curve_plan *plan, struct lane *lane);

/** Distance of the undeformed surfaces at sample i: zero - (z - d). */
static inline double lane_separation(const struct lane *lane, size_t i)
{
    return lane->zero - lane->z[i] + lane->flat[i];
}

/** Sample with the lowest deflection, baseline off; lane->n and 0 if none is negative. */
size_t lane_lowest(const struct lane *lane, double *lowest);

/** Fit the contact model to the lane of the plan's segment. Sets flags that come from the fit. On
 *  success the lane's baseline is the fitted one. */
void contact_fit_run(const struct curve_plan *plan, struct curve_work *w, struct lane *lane,
                     struct contact_fit *out, uint64_t *flags);

/** Likewise where the thickness comes from the height above plan->substrate (thickness.h); sets
 * plan->setup.thickness_m and the flag bare_substrate. A layer model is not fitted on bare
 * substrate: then only the contact point is set, not fit->done. */
void thickness_fit(struct curve_plan *plan, const struct raw_curve *raw, struct curve_work *w,
                   struct lane *lane, struct contact_fit *fit, uint64_t *flags);

/** Index of the first sample in contact of a retract with pull-off, lane->n if there is none. */
size_t lane_pull_off(const struct lane *lane);

/** E of the sample from E*, which holds both bodies: 1/E* = (1 - nu^2)/E + (1 - nu_t^2)/E_t. Also
 *  d ln E / d ln E*. */
double sample_modulus(const struct curve_plan *plan, double reduced, double *power);

/** Maps of the two-point JKR method, of Tabor's parameter and of lambda; the flag that goes with
 *  them. Needs the maps of adhesion and work of adhesion.
 *  @param retract  NULL where it cannot be used
 *  @param off  its lane_pull_off */
void measure_transition(const struct curve_plan *plan, const struct lane *retract, size_t off,
                        const struct contact_fit *fit, struct pixel_result *out);

/** Maps of the unloading analysis, where the plan asks for it, and its flags. Needs the map of
 * adhesion; overwrites the workspace's fit set. */
void measure_unloading(const struct curve_plan *plan, const struct raw_curve *raw,
                       struct curve_work *w, struct pixel_result *out);

/** Maps that need the times of the samples, where these are known: viscoelastic fit, loss tangent,
 *  drag, dwell; flags that come from them (docs/viscoelastic.md). Needs the other maps. */
void measure_in_time(const struct curve_plan *plan, const struct raw_curve *raw,
                     struct curve_work *w, const struct contact_fit *fit, struct pixel_result *out);

/** All maps from lanes and fit; flags that come from them. */
void measure_maps(const struct curve_plan *plan, const struct curve_work *w,
                  const struct contact_fit *fit, struct pixel_result *out);

#endif
