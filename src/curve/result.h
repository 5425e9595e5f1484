/** Everything one pixel can say: values with standard errors, flags, a state. One table. */
#ifndef CANTLE_CURVE_RESULT_H
#define CANTLE_CURVE_RESULT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** How a map is drawn by default. */
enum map_scale { SCALE_LINEAR, SCALE_LOG };

/** name; SI unit; unit in the file; has standard errors; colour scale; words; definition */
#define MAP_LIST(M)                                                                                \
    M(modulus, "Pa", "kPa", 1, LOG, "elastic modulus",                                             \
      "Young's modulus of the sample, E = E* (1 - nu^2), from the fit of the contact model")       \
    M(adhesion, "N", "nN", 1, LINEAR, "adhesion force",                                            \
      "pull-off force: depth of the retract curve's minimum below its baseline, positive; from a " \
      "parabola through seven samples in contact around it")                                       \
    M(deformation, "m", "nm", 1, LINEAR, "deformation",                                            \
      "change of tip-sample separation on approach from the last sample whose force is not above " \
      "zero by three times the noise to the peak; needs no model")                                 \
    M(reduced_modulus, "Pa", "kPa", 1, LOG, "reduced modulus",                                     \
      "E* = E/(1 - nu^2) of the sample, tip taken as rigid")                                       \
    M(work_of_adhesion, "J/m2", "mJ/m2", 1, LINEAR, "work of adhesion",                            \
      "from the fitted adhesive model, or from the pull-off force by the relation the recipe "     \
      "names")                                                                                     \
    M(adhesion_energy, "J", "aJ", 1, LINEAR, "adhesion energy",                                    \
      "area between retract curve and baseline where the force is attractive, over separation")    \
    M(indentation, "m", "nm", 1, LINEAR, "indentation at peak",                                    \
      "(Z - Z0) - d at the turning point of the fitted segment, Z0 the fitted contact point")      \
    M(peak_force, "N", "nN", 1, LINEAR, "peak force",                                              \
      "force at the turning point of the approach: line through its last five samples, at the "    \
      "last")                                                                                      \
    M(contact_height, "m", "nm", 1, LINEAR, "contact height",                                      \
      "zero-force topography: -Z0, height of the sample where contact begins; higher is taller")   \
    M(setpoint_height, "m", "nm", 1, LINEAR, "height at setpoint",                                 \
      "height of the tip apex at the turning point, -(Z - d); contact height less indentation")    \
    M(dissipated_energy, "J", "aJ", 1, LINEAR, "dissipated energy",                                \
      "area between approach and retract curve, force over piezo displacement, in and near "       \
      "contact")                                                                                   \
    M(snap_in_force, "N", "nN", 1, LINEAR, "snap-in force",                                        \
      "depth of the approach curve's minimum below its baseline before contact, positive; zero "   \
      "within four times the noise")                                                               \
    M(contact_stiffness, "N/m", "N/m", 1, LOG, "contact stiffness",                                \
      "dF/d(indentation) of the fitted model at the indentation at peak")                          \
    M(stiffness_ratio, "1", "1", 0, LOG, "contact stiffness over spring constant",                 \
      "contact stiffness over spring constant; best between 0.1 and 10")                           \
    M(contact_radius, "m", "nm", 1, LINEAR, "contact radius at peak",                              \
      "of the fitted model at the indentation at peak; pyramid: of its mean profile")              \
    M(mean_pressure, "Pa", "kPa", 1, LOG, "mean contact pressure at peak",                         \
      "force of the fitted model at peak over the area of contact")                                \
    M(contact_point, "m", "nm", 1, LINEAR, "contact point",                                        \
      "Z0: piezo displacement at which the fitted contact begins")                                 \
    M(baseline_slope, "1", "1", 1, LINEAR, "baseline slope",                                       \
      "deflection over piezo displacement off the surface, fitted segment")                        \
    M(baseline_gap, "N", "nN", 1, LINEAR, "baseline gap",                                          \
      "approach baseline less retract baseline in the middle of their common range: twice the "    \
      "drag force in a liquid, or drift")                                                          \
    M(force_noise, "N", "pN", 0, LINEAR, "force noise",                                            \
      "rms of the baseline's residuals, fitted segment")                                           \
    M(fit_residual, "N", "pN", 0, LINEAR, "fit residual",                                          \
      "rms residual of the fit times the spring constant, over the samples in contact")            \
    M(modulus_contact_correlation, "1", "1", 0, LINEAR,                                            \
      "correlation of modulus and contact point",                                                  \
      "correlation coefficient of ln(E) and Z0 from the fit's covariance")                         \
    M(samples_used, "1", "1", 0, LINEAR, "samples used", "number of samples in the fit")           \
    M(reduced_chi_square, "1", "1", 0, LOG, "residuals in contact over baseline noise",            \
      "mean square of the fit's residuals in contact over that of the baseline, after whitening")  \
    M(residual_runs, "1", "1", 0, LINEAR, "runs score of the residuals",                           \
      "standard score of the number of runs of equal sign in contact, after whitening; far below " \
      "zero: the model bends another way than the curve")                                          \
    M(noise_order, "1", "1", 0, LINEAR, "order of the noise model",                                \
      "order of the autoregressive model of the noise, 0 where it is white")                       \
    M(depth_to_radius, "1", "1", 0, LINEAR, "indentation over tip radius",                         \
      "indentation at peak over tip radius, for tips that have one")                               \
    M(contact_strain, "1", "1", 0, LINEAR, "contact strain",                                       \
      "representative strain 0.2 a/R of a sphere (D. Tabor, The Hardness of Metals, 1951; from "   \
      "memory)")                                                                                   \
    M(point_uncertainty, "1", "1", 0, LOG, "uncertainty of contact point over indentation",        \
      "standard error of the contact point over indentation at peak")                              \
    M(contact_to_pitch, "1", "1", 0, LINEAR, "contact diameter over pixel pitch",                  \
      "twice the contact radius over the distance of neighbouring pixels: above 1 they share "     \
      "material")                                                                                  \
    M(jump_force, "N", "nN", 0, LINEAR, "force at the largest jump in contact",                    \
      "approach: force before the largest sudden drop in contact (film breaks, slip), NaN "        \
      "without one")                                                                               \
    M(jump_separation, "m", "nm", 0, LINEAR, "separation at the largest jump in contact",          \
      "approach: tip-sample separation (negative: indentation) at that drop")                      \
    M(modulus_two_point, "Pa", "kPa", 1, LOG, "modulus by the two-point JKR method",               \
      "E from the retract's force minimum and zero force alone: no contact point, no fit; for "    \
      "tips with a radius")                                                                        \
    M(work_two_point, "J/m2", "mJ/m2", 1, LINEAR, "work of adhesion by the two-point method",      \
      "2 F_ad/(3 pi R), F_ad the adhesion force")                                                  \
    M(tabor_parameter, "1", "1", 1, LOG, "Tabor parameter",                                        \
      "(R w^2/(E*^2 z0^3))^(1/3), z0 the recipe's sample.equilibrium_separation: JKR above "       \
      "about 5, DMT below about 0.1")                                                              \
    M(transition_parameter, "1", "1", 1, LOG, "transition parameter lambda",                       \
      "fitted lambda of the models between DMT and JKR; not there where it is given")              \
    M(thickness, "m", "um", 1, LINEAR, "sample thickness",                                         \
      "thickness that was used, where one is known; with an error where it comes from the "        \
      "contact "                                                                                   \
      "height above the substrate: that of this curve, not that of the plane")                     \
    M(layer_ratio, "1", "1", 0, LINEAR, "chi, contact over thickness",                             \
      "layer models: sqrt(R delta)/h, tan(angle) delta/h or a/h at peak; other models: contact "   \
      "radius at peak over thickness")                                                             \
    M(surface_slope, "rad", "degree", 0, LINEAR, "slope of the surface",                           \
      "angle between surface and scan plane, from the contact heights of the neighbouring pixels " \
      "(accepted and doubtful ones); made when all pixels are done")                               \
    M(residual_rms, "m", "pm", 0, LOG, "residual of the whole fit, whitened",                      \
      "rms of all residuals of the fit, before contact and in it, after whitening: what an "       \
      "information criterion compares")                                                            \
    M(samples_effective, "1", "1", 0, LINEAR, "independent samples in the fit",                    \
      "samples behind residual_rms; where noise with a memory could not be whitened, as many "     \
      "independent ones as they are worth")                                                        \
    M(slow_noise, "1", "1", 0, LINEAR, "slow noise over white noise",                              \
      "power of slow noise (1/f, drift) over that of the white noise at the longest wave of the "  \
      "off-surface part; 0 where there is none")                                                   \
    M(approach_baseline_samples, "1", "1", 0, LINEAR, "approach samples off the surface",          \
      "as the baseline search found them, before the fit")                                         \
    M(retract_baseline_samples, "1", "1", 0, LINEAR, "retract samples off the surface",            \
      "as the baseline search found them, before the fit")                                         \
    M(baseline_offset, "m", "nm", 1, LINEAR, "baseline offset",                                    \
      "deflection of the baseline at the far end of the ramp, fitted segment")                     \
    M(contact_slope, "1", "1", 1, LINEAR, "slope in contact",                                      \
      "deflection, baseline off, over piezo displacement in the later half of the approach in "    \
      "contact: 1 on a rigid place where the sensitivity is right")

/** Analyses that a recipe asks for; their maps are in the file only then. name; recipe section */
#define ANALYSIS_LIST(A)                                                                           \
    A(always, "")                                                                                  \
    A(shallow, "contact.two_depths")                                                               \
    A(depth, "depth")                                                                              \
    A(tethers, "tethers")                                                                          \
    A(lateral, "lateral")                                                                          \
    A(brush, "contact.model brush")                                                                \
    A(unloading, "unloading")                                                                      \
    A(in_time, "viscoelastic.drag_and_dwell")                                                      \
    A(cycle, "viscoelastic.loss_tangent")                                                          \
    A(viscoelastic, "viscoelastic.model")                                                          \
    A(power_law, "viscoelastic.model power_law")                                                   \
    A(linear_solid, "viscoelastic.model standard_linear_solid")

enum analysis {
#define A(name, section) ANALYSIS_##name,
    ANALYSIS_LIST(A)
#undef A
        ANALYSIS_COUNT
};
extern const char *const analysis_sections[ANALYSIS_COUNT];

/** Further axis of a map beside y and x. name; largest length; SI unit; unit in the file; words */
#define AXIS_LIST(A)                                                                               \
    A(none, 1, "1", "1", "")                                                                       \
    A(depth, 16, "m", "nm", "indentation at the middle of the window")                             \
    A(event, 8, "1", "1", "number of the rupture event")

enum map_axis {
#define A(name, most, si, unit, words) AXIS_##name,
    AXIS_LIST(A)
#undef A
        AXIS_COUNT
};
enum {
#define A(name, most, si, unit, words) AXIS_MOST_##name = (most),
    AXIS_LIST(A)
#undef A
        AXIS_LONGEST = 16
};
struct axis_row {
    const char *name;
    size_t most;
    const char *si_unit, *unit, *words;
};
extern const struct axis_row axis_rows[AXIS_COUNT];

/** The maps of analyses that are made on demand. As MAP_LIST, and before the words: analysis;
 * further axis. A map with a further axis has one id for each of its layers, MAP_name + layer, so
 * that each layer is treated like a plane; in the file they are one dataset [ny,nx,layers]. */
#define FURTHER_MAP_LIST(M)                                                                        \
    M(modulus_half_depth, "Pa", "kPa", 1, LOG, shallow, none, "modulus of the shallow half",       \
      "E from a fit to half the indentation: equals the modulus where thickness, contact point "   \
      "and model are right")                                                                       \
    M(modulus_depth_ratio, "1", "1", 1, LINEAR, shallow, none,                                     \
      "modulus of the shallow half over modulus",                                                  \
      "modulus_half_depth over modulus; below 1 where the sample feels stiffer with depth")        \
    M(depth_modulus, "Pa", "kPa", 1, LOG, depth, depth, "modulus in a window of indentation",      \
      "E that the sample shows over one window of indentation, from the fitted contact point on "  \
      "(docs/cells.md)")                                                                           \
    M(hardness, "Pa", "kPa", 1, LOG, unloading, none, "hardness",                                  \
      "peak force of the unloading over contact area, H = P/A (unloading analysis)")               \
    M(unloading_modulus, "Pa", "kPa", 1, LOG, unloading, none, "modulus from the unloading",       \
      "Young's modulus of the sample from unloading_reduced_modulus, the tip's own elasticity "    \
      "taken off")                                                                                 \
    M(unloading_reduced_modulus, "Pa", "kPa", 1, LOG, unloading, none,                             \
      "reduced modulus from the unloading",                                                        \
      "E_r = sqrt(pi) S/(2 beta sqrt(A)), of sample and tip together")                             \
    M(unloading_stiffness, "N/m", "N/m", 1, LOG, unloading, none,                                  \
      "contact stiffness at the start of unloading",                                               \
      "S = dF/dh of the fitted power law at the peak force of the unloading")                      \
    M(unloading_exponent, "1", "1", 1, LINEAR, unloading, none, "exponent of the unloading",       \
      "m of F = B (h - h_f)^m")                                                                    \
    M(unloading_force, "N", "nN", 1, LINEAR, unloading, none, "peak force of the unloading",       \
      "P: of the fitted unloading where the retract begins")                                       \
    M(unloading_depth, "m", "nm", 1, LINEAR, unloading, none, "depth at the start of unloading",   \
      "h_max: (Z - d) there less its value where the loading began, which a power law through "    \
      "the loading finds")                                                                         \
    M(residual_depth, "m", "nm", 1, LINEAR, unloading, none, "depth after unloading",              \
      "h_f: depth at which the fitted unloading reaches zero force")                               \
    M(residual_depth_ratio, "1", "1", 1, LINEAR, unloading, none,                                  \
      "depth after unloading over depth",                                                          \
      "h_f/h_max: 0 is elastic, 1 plastic; above 0.7 material may pile up around the tip")         \
    M(contact_depth, "m", "nm", 1, LINEAR, unloading, none, "contact depth",                       \
      "h_c = h_max - epsilon P/S: along which the tip is in contact")                              \
    M(contact_area, "m2", "nm2", 1, LOG, unloading, none, "contact area of the unloading",         \
      "A(h_c): projected, from the area function that the recipe names")                           \
    M(unloading_residual, "N", "pN", 0, LINEAR, unloading, none, "residual of the unloading fit",  \
      "rms residual of the power law times the spring constant, over its window")                  \
    M(unloading_samples, "1", "1", 0, LINEAR, unloading, none, "samples of the unloading fit",     \
      "number of samples in its window")                                                           \
    M(brush_length, "m", "nm", 1, LINEAR, brush, none, "length of the brush",                      \
      "L of the model brush: distance at which the tip meets it")                                  \
    M(elastic_indentation, "m", "nm", 1, LINEAR, brush, none, "indentation of the body",           \
      "what of the indentation at peak the elastic body behind the brush takes")                   \
    M(event_count, "1", "1", 0, LINEAR, tethers, none, "rupture events",                           \
      "number of rupture events on the retract, the pull-off from the surface among them where "   \
      "it is sharp")                                                                               \
    M(first_event_force, "N", "pN", 1, LINEAR, tethers, none, "force of the first rupture",        \
      "drop of the pulling force at the first rupture event of the retract")                       \
    M(first_event_separation, "m", "nm", 1, LINEAR, tethers, none, "place of the first rupture",   \
      "tip-sample separation at it")                                                               \
    M(last_event_force, "N", "pN", 1, LINEAR, tethers, none, "force of the last rupture",          \
      "drop of the pulling force at the last rupture event of the retract")                        \
    M(last_event_separation, "m", "nm", 1, LINEAR, tethers, none, "place of the last rupture",     \
      "tip-sample separation at it")                                                               \
    M(largest_event_force, "N", "pN", 1, LINEAR, tethers, none, "force of the largest rupture",    \
      "drop of the pulling force at the largest rupture event of the retract")                     \
    M(largest_event_separation, "m", "nm", 1, LINEAR, tethers, none,                               \
      "place of the largest rupture", "tip-sample separation at it")                               \
    M(chain_contour_length, "m", "nm", 1, LINEAR, tethers, none, "contour length of the chain",    \
      "of the chain that holds before the last rupture")                                           \
    M(chain_unit_length, "m", "nm", 1, LOG, tethers, none, "persistence or Kuhn length",           \
      "persistence length of the worm-like, Kuhn length of the freely jointed chain; with an "     \
      "error where it is fitted")                                                                  \
    M(chain_chi_square, "1", "1", 0, LOG, tethers, none, "residuals of the chain over noise",      \
      "mean square of the chain fit's residuals over that of the baseline")                        \
    M(lateral_at_peak, "V", "mV", 1, LINEAR, lateral, none, "lateral signal at peak",              \
      "twist of the lever at the turning point of the approach, line and cross-talk taken off")    \
    M(lateral_on_approach, "V", "mV", 1, LINEAR, lateral, none, "lateral signal on approach",      \
      "the same, mean over the samples in contact on approach")                                    \
    M(lateral_on_retract, "V", "mV", 1, LINEAR, lateral, none, "lateral signal on retract",        \
      "the same, mean over the samples in contact on retract")                                     \
    M(lateral_half_difference, "V", "mV", 1, LINEAR, lateral, none,                                \
      "half the lateral signal between approach and retract",                                      \
      "half of on approach less on retract: what turns its sign with the direction, as friction "  \
      "does")                                                                                      \
    M(lateral_crosstalk, "V/m", "mV/nm", 1, LINEAR, lateral, none, "lateral cross-talk",           \
      "lateral signal for each unit of deflection, taken off")                                     \
    M(lateral_force_at_peak, "N", "nN", 1, LINEAR, lateral, none, "lateral force at peak",         \
      "lateral_at_peak as a force at the apex, where the torsional calibration is given")          \
    M(lateral_force_on_approach, "N", "nN", 1, LINEAR, lateral, none, "lateral force on approach", \
      "likewise of lateral_on_approach")                                                           \
    M(lateral_force_on_retract, "N", "nN", 1, LINEAR, lateral, none, "lateral force on retract",   \
      "likewise of lateral_on_retract")                                                            \
    M(lateral_force_half_difference, "N", "nN", 1, LINEAR, lateral, none,                          \
      "half the lateral force between approach and retract",                                       \
      "likewise of lateral_half_difference")                                                       \
    M(event_force, "N", "pN", 1, LINEAR, tethers, event, "force of the rupture event",             \
      "drop of the pulling force; events in the order of time")                                    \
    M(event_separation, "m", "nm", 1, LINEAR, tethers, event, "place of the rupture event",        \
      "tip-sample separation at it")                                                               \
    M(relaxation_modulus, "Pa", "kPa", 1, LOG, power_law, none, "modulus of the power law",        \
      "E at viscoelastic.reference_time after a step, of E(t) = E (t/reference)^-exponent, by "    \
      "Ting's solution")                                                                           \
    M(relaxation_exponent, "1", "1", 1, LINEAR, power_law, none, "exponent of the power law",      \
      "0 elastic, 1 a liquid; the noise may put it below zero")                                    \
    M(modulus_instant, "Pa", "kPa", 1, LOG, linear_solid, none, "instantaneous modulus",           \
      "standard linear solid: E(0) of E(t) = E_relaxed + (E(0) - E_relaxed) exp(-t/tau)")          \
    M(modulus_relaxed, "Pa", "kPa", 1, LOG, linear_solid, none, "relaxed modulus",                 \
      "standard linear solid: E after a long time")                                                \
    M(relaxation_time, "s", "ms", 1, LOG, linear_solid, none, "relaxation time",                   \
      "standard linear solid: tau")                                                                \
    M(contact_point_in_time, "m", "nm", 1, LINEAR, viscoelastic, none,                             \
      "contact point of the viscoelastic fit",                                                     \
      "Z0 of the viscoelastic fit; not there where that of the contact fit was used")              \
    M(relaxation_chi_square, "1", "1", 0, LOG, viscoelastic, none,                                 \
      "residuals of the viscoelastic fit over noise",                                              \
      "mean square of its residuals in contact over that off the surface, after whitening")        \
    M(contact_time, "s", "ms", 0, LINEAR, viscoelastic, none, "time in contact on approach",       \
      "from first contact to the end of the approach, by the viscoelastic fit")                    \
    M(detach_time, "s", "ms", 0, LINEAR, viscoelastic, none, "time until contact is lost",         \
      "from the end of approach or dwell until Ting's solution loses contact; not there where "    \
      "no retract is fitted or contact lasts")                                                     \
    M(hysteresis, "1", "1", 1, LINEAR, cycle, none, "share of the work that is lost",              \
      "area between approach and retract over the work of the approach on the sample")             \
    M(loss_tangent, "1", "1", 1, LINEAR, cycle, none, "loss tangent from hysteresis",              \
      "tan(pi alpha/2) of the power law that loses the same share in the same cycle of the "       \
      "piezo")                                                                                     \
    M(drag_coefficient, "N s/m", "uN s/m", 1, LINEAR, in_time, none, "drag coefficient",           \
      "distance of the two off-surface baselines, as force, over the sum of the speeds")           \
    M(dwell_force_change, "N", "nN", 1, LINEAR, in_time, none, "change of force in the dwell",     \
      "mean of the dwell's last tenth less that of its first")                                     \
    M(dwell_indentation_change, "m", "nm", 1, LINEAR, in_time, none,                               \
      "change of indentation in the dwell", "likewise; creep where the force is held")

enum map_id {
#define M(name, si, unit, errors, scale, words, definition) MAP_##name,
    MAP_LIST(M)
#undef M
#define M(name, si, unit, errors, scale, analysis, axis, words, definition)                        \
    MAP_##name, MAP_##name##_last = MAP_##name + AXIS_MOST_##axis - 1,
        FURTHER_MAP_LIST(M)
#undef M
            MAP_COUNT
};

struct map_row {
    const char *name, *si_unit, *unit;
    int errors; /**< a dataset NAME_errors with one standard deviation goes with it */
    enum map_scale scale;
    const char *words, *definition;
    enum analysis analysis;
    enum map_axis axis;
    int first; /**< id of the map's first layer: the layer is id - first; a plane: its own id
                */
};
extern const struct map_row map_rows[MAP_COUNT];

/** Number of a layer of a map, from 0; 0 for a plane. */
static inline size_t map_layer(int map)
{
    return (size_t)(map - map_rows[map].first);
}
/** Begins a dataset: every plane, and the first layer of the others. */
static inline bool map_begins(int map)
{
    return map == map_rows[map].first;
}
/** As people write it: "modulus", "depth_modulus:3" (counted from 1). */
void map_label(int map, char out[64]);

/** What a run makes: which analyses, how long the further axes are, and their coordinates in
 * SI. */
struct map_extent {
    bool analysis[ANALYSIS_COUNT];
    size_t length[AXIS_COUNT]; /**< none: 1 */
    double at[AXIS_COUNT][AXIS_LONGEST];
};
/** Nothing but the maps that are always there. */
void map_extent_clear(struct map_extent *e);
/** The row's words, and for a layer where it lies: "..., at 50 nm". */
void map_words(const struct map_extent *e, int map, char out[160]);
/** Whether the map, or this layer of it, is made. */
bool map_is_made(const struct map_extent *e, int map);

/** Severity of a flag. NOTE: remark; DOUBT: value kept, pixel "doubtful"; REJECT: pixel
 * "rejected".
 */
enum severity { SEVERITY_NOTE, SEVERITY_DOUBT, SEVERITY_REJECT };

/** name; severity; words. The order is the bit: never reorder, only append. */
#define FLAG_LIST(F)                                                                               \
    F(absent, REJECT, "no curve was taken here")                                                   \
    F(too_few_samples, REJECT, "too few samples, or too many are missing")                         \
    F(samples_missing, DOUBT, "some samples are missing (NaN or fill value) and were left out")    \
    F(saturated, REJECT, "the detector is clipped in the fitted segment")                          \
    F(z_not_monotonic, REJECT, "z runs back by more than a twentieth of its range")                \
    F(no_baseline, REJECT, "the off-surface part is too short")                                    \
    F(noisy_baseline, DOUBT, "the baseline is noisier than the limit")                             \
    F(sloped_baseline, DOUBT, "the baseline is steeper than the limit")                            \
    F(no_contact, REJECT, "no contact found: the force never rises above the noise")               \
    F(peak_too_low, REJECT, "the peak force is below the limit")                                   \
    F(fit_failed, REJECT, "the fit did not converge")                                              \
    F(at_bound, REJECT, "the contact point or a parameter sits at the edge of its search range")   \
    F(too_shallow, REJECT, "the indentation is not large against the contact point's uncertainty") \
    F(outside_model, DOUBT, "the indentation is too deep for the model")                           \
    F(attractive, DOUBT, "the snap-in is too strong for a model without adhesion")                 \
    F(stiffness_ratio, DOUBT, "contact and lever are too unlike in stiffness")                     \
    F(biased_fit, DOUBT,                                                                           \
      "force against indentation was fitted to a contact stiffer than the limit")                  \
    F(large_residual, DOUBT, "the residual is large against the peak force")                       \
    F(implausible, REJECT, "the modulus is outside the plausible range of the recipe")             \
    F(no_retract, NOTE, "no usable retract curve: adhesion and dissipation are not known")         \
    F(adhesion_in_noise, NOTE,                                                                     \
      "the pull-off force is within four times the force noise: it is set to zero")                \
    F(no_adhesion_to_fit, REJECT, "an adhesive model was asked for, but there is no pull-off")     \
    F(uncertain, DOUBT, "the standard error of the modulus is large against the modulus")          \
    F(depth_dependent, DOUBT, "the modulus of the shallow half differs from that of the whole")    \
    F(residual_structure, DOUBT, "the residuals in contact are not noise: the model does not fit") \
    F(high_pressure, DOUBT, "the mean contact pressure is above the limit")                        \
    F(pixels_overlap, NOTE, "the contact is wider than the distance of neighbouring pixels")       \
    F(jump, DOUBT, "the force drops suddenly while in contact (film breaks, slip)")                \
    F(spikes, NOTE, "single wild samples were left out")                                           \
    F(other_saturated, DOUBT,                                                                      \
      "the detector is clipped in the segment that is not fitted; its maps are left out")          \
    F(other_samples_missing, DOUBT, "samples are missing in the segment that is not fitted")       \
    F(wrong_transition, DOUBT, "the Tabor parameter is outside the range of the adhesive model")   \
    F(too_thin, DOUBT, "the contact is too wide against the thickness for the layer model")        \
    F(substrate_felt, DOUBT,                                                                       \
      "the contact is wide against the thickness, but the model is one of a thick sample")         \
    F(no_thickness, REJECT, "a layer model was asked for, but the thickness here is not known")    \
    F(steep, DOUBT, "the surface is steeper than the limit: indentation is not normal to it")      \
    F(bare_substrate, REJECT,                                                                      \
      "no layer here: marked as substrate, or not higher than it by three standard errors")        \
    F(more_events, NOTE,                                                                           \
      "more rupture events than the file has places for: the last are left out")                   \
    F(no_chain, NOTE, "no chain could be fitted before the last rupture")                          \
    F(chain_misfit, NOTE, "the force before the last rupture is not that of the chain")            \
    F(no_lateral, NOTE,                                                                            \
      "the lateral signal is missing here, or has too little contact or baseline")                 \
    F(tip_changed, DOUBT, "scanned after a step that all pixels share: the tip may have changed")  \
    F(no_unloading, DOUBT,                                                                         \
      "the unloading could not be fitted: no usable pair of curves, fewer than ten samples in "    \
      "its window, or no minimum")                                                                 \
    F(unloading_exponent, DOUBT, "the exponent of the unloading lies outside 1 to 3")              \
    F(no_plastic_depth, DOUBT,                                                                     \
      "no depth is left after unloading (two standard errors): elastic, so the hardness is only "  \
      "a mean pressure")                                                                           \
    F(pile_up, DOUBT,                                                                              \
      "the depth left after unloading is above the limit: material may pile up, and the area be "  \
      "larger than reckoned")                                                                      \
    F(no_unloading_modulus, DOUBT,                                                                 \
      "the contact depth has no area, or the reduced modulus is above that of the tip")            \
    F(unloading_adhesion, DOUBT,                                                                   \
      "the pull-off force is too large for an unloading analysis, which knows no adhesion")        \
    F(no_times, NOTE,                                                                              \
      "something that needs time was asked for, but a sample interval or segment is not there")    \
    F(relaxation_failed, DOUBT,                                                                    \
      "the viscoelastic fit did not converge, a parameter sits at the edge of its range, or no "   \
      "power law loses what the cycle loses")                                                      \
    F(relaxation_misfit, DOUBT, "the residuals of the viscoelastic fit are not noise")             \
    F(relaxation_unseen, DOUBT,                                                                    \
      "no relaxation stands out of the noise, or its time lies outside what the curve shows")      \
    F(adhesive_loop, DOUBT,                                                                        \
      "the retract sticks, and a viscoelastic fit or a loss tangent without adhesion used it")     \
    F(no_search, NOTE,                                                                             \
      "rupture events were not looked for: no contact point or no usable retract, fewer samples "  \
      "beyond the contact than two windows, or no noise to judge a step by")

enum flag_bit {
#define F(name, severity, words) FLAGBIT_##name,
    FLAG_LIST(F)
#undef F
        FLAG_COUNT
};
#define FLAG(name) (UINT64_C(1) << FLAGBIT_##name)

struct flag_row {
    const char *name;
    enum severity severity;
    const char *words;
};
extern const struct flag_row flag_rows[FLAG_COUNT];

/** State of a pixel: exclusive, written last. */
#define STATE_LIST(S)                                                                              \
    S(pending, "not computed yet")                                                                 \
    S(accepted, "computed, nothing to object to")                                                  \
    S(doubtful, "computed, with a flag that calls for a look")                                     \
    S(rejected, "do not use the fitted values: a flag says why")                                   \
    S(absent, "no curve was taken here")

enum pixel_state {
#define S(name, words) STATE_##name,
    STATE_LIST(S)
#undef S
        STATE_COUNT
};
struct state_row {
    const char *name, *words;
};
extern const struct state_row state_rows[STATE_COUNT];

struct measured {
    double value, error; /**< SI; NaN = not computed */
};

struct pixel_result {
    struct measured map[MAP_COUNT];
    uint64_t flags;
    uint8_t state;
    uint8_t copied; /**< 1: taken from another map file as it stands, not computed here */
};

/** All NaN, no flag, pending. */
void result_clear(struct pixel_result *r);
/** The state that follows from the flags. */
enum pixel_state result_state(uint64_t flags);

#endif
