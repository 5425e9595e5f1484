/** One pixel's journey: detector -> deflection -> force -> baseline -> contact -> results. */
#ifndef CANTLE_CURVE_CURVE_H
#define CANTLE_CURVE_CURVE_H

#include "calibration/lever.h"
#include "calibration/tilt.h"
#include "contact/contact.h"
#include "contact/unloading.h"
#include "curve/result.h"
#include "fit/plane.h"
#include "fit/walk.h"
#include "recipe/recipe.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum segment_id { SEG_APPROACH, SEG_DWELL, SEG_RETRACT, SEG_COUNT };
enum signal_stage { STAGE_DETECTOR, STAGE_QUADRANTS, STAGE_DEFLECTION, STAGE_FORCE };

/** One segment of one pixel as the volume hands it over: SI, in the order of time, positive =
 *  repulsive, z growing towards the sample. Borrowed from the volume's buffers until the next
 * curve. */
struct raw_segment {
    size_t n;              /**< samples, 0 = the segment is not there */
    const double *signal;  /**< [n], or [n][4] for STAGE_QUADRANTS: V, m or N; NaN = missing */
    const double *z_m;     /**< [n]; NaN = missing */
    const double *lateral; /**< [n] or NULL */
    size_t clipped;        /**< samples at or beyond the valid range */
    double interval_s;     /**< time from sample to sample; 0 or NaN = not known. The first sample
                                comes one of them after the last of the segment before */
};

struct raw_curve {
    bool absent;
    double thickness_m; /**< of the sample here, if lever.thickness_by_pixel; NaN = not known */
    double x_m, y_m;    /**< centre of the pixel, as the volume has it */
    bool on_substrate;  /**< the volume marks it as bare substrate */
    enum signal_stage stage[SEG_COUNT];
    struct raw_segment seg[SEG_COUNT];
};

/** Where the recipe says that the substrate is bare; sides that it does not give are infinite. */
struct substrate_box {
    bool given;
    double x_from, x_to, y_from, y_to; /**< m */
};

/** Search for rupture events (tethers.h). */
struct tether_plan {
    size_t window; /**< samples of a line on either side */
    double alarm;  /**< share of curves without an event that show one */
    int chain;     /**< 0 none, 1 worm-like, 2 freely jointed */
    double unit_m; /**< persistence or Kuhn length; NaN = fitted */
    double temperature_k;
};

/** Lateral signal (lateral.h). */
struct lateral_plan {
    int from;                      /**< cross-talk: 0 baseline, 1 contact, 2 given */
    double crosstalk, crosstalk_u; /**< V/m, where given */
    double newton_per_volt;        /**< NaN without torsional calibration */
};

/** What an earlier analysis of the same curve found, for another one to begin from. Each part is
 * for settings that cannot change it (maps/reuse.h says which); results are those of an analysis
 * from nothing. */
struct curve_hint {
    size_t baseline_end[2]; /**< approach, retract: samples that the baseline search took as off the
                                 surface; 0 = to be searched */
    bool no_spikes;         /**< neither segment has wild samples to look for */
    bool white;             /**< the fitted segment's noise has no memory */
    double contact_point_m; /**< of the fitted segment: the search begins there instead of looking
                                 all along the curve; NaN = not known */
};

/** Analyses that need time (in_time.h). */
struct time_plan {
    int law;             /**< 0: no viscoelastic fit, 1 power law, 2 standard linear solid */
    bool use[SEG_COUNT]; /**< segments that are fitted; without the approach its off-surface part
                              still is, and the contact point is that of the contact fit */
    bool drag;           /**< the liquid's drag is fitted and taken off */
    double power;        /**< of the indentation in the force; 0: the model has no such law */
    double reference_s;  /**< time at which the power law's modulus is given */
};

/** What the analysis does with every curve; made once from recipe and calibration. */
struct curve_plan {
    const struct contact_model *model;
    struct contact_setup setup;
    struct map_extent extent; /**< what is made beside the maps that are always there */
    struct tether_plan tethers;
    struct lateral_plan lateral;
    struct time_plan time;
    bool free_extra; /**< the model's further number is searched */
    struct lever lever;
    enum tilt_correction tilt; /**< factor between the spring constant given and that in use */
    int spring_from;         /**< how k was found: 0 independent, 1 thermal, 2 nominal (budget.h) */
    bool spring_from_given;  /**< the recipe says so: it wins over the lever file's correlation */
    size_t draws;            /**< of the Monte Carlo of budget.h */
    enum segment_id segment; /**< the fitted one */
    bool force_space;
    bool coloured_noise; /**< look for noise with a memory, and reckon with it */
    double drift_m; /**< known rms step of a random walk from sample to sample; NaN = not known */
    bool drift_from_volume;        /**< it is to be learnt from many curves: see grid/drift.h */
    struct shared_walk drift_seen; /**< what they showed; set after making */
    bool two_depths;               /**< fit the shallow half as well */
    bool values_only;   /**< standard errors are not asked for where they cost further fits */
    int baseline_order; /**< 0 offset, 1 line */
    double shortest_baseline;
    double from, to;
    enum range_of from_is, to_is;
    double poisson_ratio;
    double separation_m;  /**< z0 of Tabor's parameter */
    double pixel_pitch_m; /**< distance of neighbouring pixels, NaN = not known; set after making */
    const struct curve_hint *hint; /**< NULL; for one curve: curve_analyse_from sets it */
    bool thickness_from_substrate; /**< see thickness.h */
    struct substrate_box substrate_box;
    struct plane substrate; /**< contact heights of the bare substrate; set after making */
    int work_from;          /**< 0 model, 1 dmt, 2 jkr, 3 none */
    struct {
        double from, to; /**< window of the unloading, shares of its peak */
        double zero_to;  /**< part of the loading that says where depth begins, likewise */
        struct unloading_law law;
    } unloading;
    struct {
        double missing, baseline_slope, force_noise_n, peak_force_n, snap_in, depth_to_radius,
            depth_to_uncertainty, modulus_error, stiffness_low, stiffness_high,
            stiffness_force_space, residual, depth_change, reduced_chi_square, residual_runs,
            pressure_pa, contact_to_pitch, layer_ratio, layer_ratio_halfspace, tabor_dmt, tabor_jkr,
            modulus_low_pa, modulus_high_pa, loop_adhesion, residual_depth, unloading_adhesion,
            surface_slope_rad, /**< NaN = no limit; looked at when all pixels are done */
            tip_change;        /**< chance of a false alarm, 0 = do not look; likewise */
    } limit;
};

/** Resolve. `stages` and `there` say what the volume holds. Errors: ST_RECIPE for a value that is
 *  needed and not known (names key and dataset), for a model that cannot do the asked segment, or a
 *  segment that is not there. */
enum status curve_plan_make(const struct recipe *recipe, const struct lever *from_volume,
                            const enum signal_stage stages[SEG_COUNT], const bool there[SEG_COUNT],
                            struct curve_plan *out, struct report *rep) MUST_CHECK;

/** Whether the volume has the lateral signal, where the plan asks for it. @param volts  segment has
 * a lateral signal in V or quadrants. Errors: ST_RECIPE. */
enum status lateral_check(const struct curve_plan *plan, const bool volts[SEG_COUNT],
                          struct report *rep) MUST_CHECK;

/** What follows from plan->lever (spring constant in use, tip, Poisson's ratio): call again after
 * its values were changed. A setup.layer that still fits is kept; one that does not is replaced,
 * and not freed: call it on a copy of the plan, and contact_release the copy's where it differs.
 * Errors: ST_RECIPE for a tilt, tip height or lever length that is needed and not known, or that
 * the tilt correction cannot take; as contact_prepare. */
enum status curve_plan_renew(struct curve_plan *plan, struct report *rep) MUST_CHECK;

/** Release what the plan owns. Accepts a plan whose making failed, and one that is all zeros. */
void curve_plan_free(struct curve_plan *plan);

/** One segment on its way, z ascending (a retract is reversed in time): filled by curve_analyse for
 *  people who want to see each step. Arrays are owned by the workspace. */
struct segment_trace {
    size_t n;                   /**< samples left after missing ones were dropped */
    const double *z_m;          /**< [n] ascending */
    const double *deflection_m; /**< [n] as measured, baseline still in it */
    const double *force_n;      /**< [n] baseline subtracted */
    const double *separation_m; /**< [n] tip-sample separation, zero at the segment's contact point
                                     if known, else at the other segment's, else at the peak */
    double offset_m, slope;     /**< baseline: offset_m + slope (z - z_ref_m) */
    double z_ref_m;
    double off_offset_m, off_slope; /**< the same from the off-surface part alone, before the fit;
                                       what indentation is computed with when fit_space is force */
    size_t baseline_end;            /**< samples [0, baseline_end) are off the surface */
    double noise_m;                 /**< rms of the baseline's residuals */
};

struct curve_trace {
    struct segment_trace seg[SEG_COUNT]; /**< n = 0 where not there; dwell is not traced */
    enum segment_id fitted;
    const double *fit_deflection_m; /**< [seg[fitted].n] model with baseline, NaN outside the fit */
    const uint8_t *in_fit;          /**< [seg[fitted].n] 1 where the sample was used */
    double contact_point_m;         /**< NaN if not found */
    struct contact_sample sample;   /**< NaN if not found */
};

/** Buffers for curves of up to n_max samples a segment; no allocation happens per curve. */
struct curve_work;
struct curve_work *curve_work_new(size_t n_max); /**< NULL without memory */
size_t curve_work_bytes(size_t n_max);           /**< what it takes, about */
void curve_work_free(struct curve_work *w);

/** Analyse one curve. Never fails: what cannot be computed is NaN and a flag says why.
 *  @param trace  may be NULL */
void curve_analyse(const struct curve_plan *plan, const struct raw_curve *raw,
                   struct curve_work *work, struct pixel_result *out, struct curve_trace *trace);

/** The same, begun from what is known of this curve. @param hint NULL: nothing */
void curve_analyse_from(const struct curve_plan *plan, const struct raw_curve *raw,
                        const struct curve_hint *hint, struct curve_work *work,
                        struct pixel_result *out, struct curve_trace *trace);

/** The off-surface part of one curve's fitted segment, its line taken off, without a fit.
 *  @param rest  out: residuals, in work; valid until work is used again
 *  @return how many; 0 where there is none */
size_t curve_off_surface(const struct curve_plan *plan, const struct raw_curve *raw,
                         struct curve_work *work, const double **rest);

/** How many numbers a fit finds: those searched, and baseline and pull. */
size_t curve_plan_unknowns(const struct curve_plan *plan);

#endif
