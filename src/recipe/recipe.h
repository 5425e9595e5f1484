/** The recipe: YAML text to validated values in SI. One table makes parser, defaults, docs. */
#ifndef CANTLE_RECIPE_RECIPE_H
#define CANTLE_RECIPE_RECIPE_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

/** Kinds of value. QUANTITY: number with unit of the row's SI unit. CHOICE: one of the row's words
 *  (blank-separated). COUNT: whole number >= 0. UNIT: a unit text of the row's dimension. RANGE: a
 *  force, an indentation, or a percentage of the peak force. FILE: the name of a file, from the
 *  recipe's folder. */
enum recipe_kind { KIND_QUANTITY, KIND_CHOICE, KIND_COUNT, KIND_UNIT, KIND_RANGE, KIND_FILE };

/** section, key, kind, unit or choices, default ("" = not set / taken from the volume), help */
#define RECIPE_KEYS(K)                                                                             \
    K(calibration, deflection_sensitivity, QUANTITY, "m/V", "",                                    \
      "deflection of the lever's end for each volt of the detector")                               \
    K(calibration, deflection_sensitivity_u, QUANTITY, "m/V", "", "its standard uncertainty")      \
    K(calibration, quadrant_sensitivity, QUANTITY, "m", "",                                        \
      "deflection for each unit of (A+B-C-D)/(A+B+C+D), if the volume holds four quadrants")       \
    K(calibration, quadrant_sensitivity_u, QUANTITY, "m", "", "its standard uncertainty")          \
    K(calibration, spring_constant, QUANTITY, "N/m", "", "normal spring constant of the lever")    \
    K(calibration, spring_constant_u, QUANTITY, "N/m", "", "its standard uncertainty")             \
    K(calibration, spring_constant_from, CHOICE, "independent thermal nominal", "independent",     \
      "how it was found: thermal = from thermal noise with the same deflection sensitivity, so "   \
      "that both err together; nominal = the maker's value, taken as good to 20 % where no "       \
      "uncertainty is stated (common practice, no source)")                                        \
    K(calibration, monte_carlo_draws, COUNT, "1000000", "2000",                                    \
      "draws of the Monte Carlo for the uncertainty of the whole map; 0 = linear combination "     \
      "only")                                                                                      \
    K(calibration, tilt, QUANTITY, "rad", "", "angle between lever and sample plane")              \
    K(calibration, tilt_u, QUANTITY, "rad", "", "its standard uncertainty")                        \
    K(calibration, tilt_correction, CHOICE, "none cosine_squared heim hutter beam contained",      \
      "none",                                                                                      \
      "factor on the spring constant for the tilt, applied once: cosine_squared 1/cos^2, heim, "   \
      "hutter and beam with tip_height and lever_length (docs/methods.md); contained = the given " \
      "spring constant already holds it, nothing is applied; none = the tilt is neglected")        \
    K(calibration, lever_length, QUANTITY, "m", "",                                                \
      "from the base to where the tip stands, for tilt_correction")                                \
    K(calibration, lever_length_u, QUANTITY, "m", "", "its standard uncertainty")                  \
    K(calibration, lever_file, FILE, "", "",                                                       \
      "lever file, as `cantle calibrate` writes it: its values win over the volume's, and what "   \
      "the recipe gives besides wins over them")                                                   \
    K(tip, tip_height, QUANTITY, "m", "",                                                          \
      "distance of the apex from the lever's middle plane, for tilt_correction")                   \
    K(tip, tip_height_u, QUANTITY, "m", "", "its standard uncertainty")                            \
    K(tip, tip_radius, QUANTITY, "m", "", "apex radius, or radius of a flat punch")                \
    K(tip, tip_radius_u, QUANTITY, "m", "", "its standard uncertainty")                            \
    K(tip, tip_half_angle, QUANTITY, "rad", "", "cone: angle between axis and side")               \
    K(tip, tip_half_angle_u, QUANTITY, "rad", "", "its standard uncertainty")                      \
    K(tip, tip_face_angle, QUANTITY, "rad", "",                                                    \
      "four-sided pyramid: angle between axis and the middle of a face, not an edge")              \
    K(tip, tip_face_angle_u, QUANTITY, "rad", "", "its standard uncertainty")                      \
    K(tip, tip_profile_exponent, QUANTITY, "1", "",                                                \
      "n of a tip with the profile height = R (r/R)^n / n; 2 is the paraboloid")                   \
    K(tip, tip_profile_exponent_u, QUANTITY, "1", "", "its standard uncertainty")                  \
    K(tip, tip_cap_radius, QUANTITY, "m", "",                                                      \
      "blunted cone or pyramid: distance from the axis at which the cap meets the side; without "  \
      "it they meet with equal slope")                                                             \
    K(tip, tip_cap_radius_u, QUANTITY, "m", "", "its standard uncertainty")                        \
    K(tip, tip_area_quadratic, QUANTITY, "1", "",                                                  \
      "projected area over contact depth h_c: factor (quadratic h_c^2 + linear h_c + constant); "  \
      "24.5 for an ideal Berkovich tip")                                                           \
    K(tip, tip_area_quadratic_u, QUANTITY, "1", "", "its standard uncertainty")                    \
    K(tip, tip_area_linear, QUANTITY, "m", "", "its linear coefficient, 0 where not given")        \
    K(tip, tip_area_linear_u, QUANTITY, "m", "", "its standard uncertainty")                       \
    K(tip, tip_area_constant, QUANTITY, "m2", "", "its constant, 0 where not given")               \
    K(tip, tip_area_constant_u, QUANTITY, "m2", "", "its standard uncertainty")                    \
    K(tip, tip_area_factor, QUANTITY, "1", "",                                                     \
      "factor on the area, 1 where not given: carries what is common to all depths")               \
    K(tip, tip_area_factor_u, QUANTITY, "1", "", "its standard uncertainty")                       \
    K(tip, tip_modulus, QUANTITY, "Pa", "",                                                        \
      "Young's modulus of the tip; without it the tip is taken as rigid")                          \
    K(tip, tip_modulus_u, QUANTITY, "Pa", "", "its standard uncertainty")                          \
    K(tip, tip_poisson_ratio, QUANTITY, "1", "0.3",                                                \
      "Poisson's ratio of the tip, used with tip_modulus")                                         \
    K(tip, tip_poisson_ratio_u, QUANTITY, "1", "", "its standard uncertainty")                     \
    K(sample, sample_thickness, QUANTITY, "m", "",                                                 \
      "thickness of the sample on a rigid base, for the layer models; a map /grid/thickness of "   \
      "the volume wins over it")                                                                   \
    K(sample, sample_thickness_u, QUANTITY, "m", "", "its standard uncertainty")                   \
    K(sample, thickness_from, CHOICE, "given substrate", "given",                                  \
      "given = sample_thickness, or the map /grid/thickness; substrate = height of each pixel's "  \
      "contact point above a plane through those of the bare substrate: the pixels that "          \
      "/grid/substrate of the volume marks, or those in the rectangle below")                      \
    K(sample, substrate_x_from, QUANTITY, "m", "",                                                 \
      "rectangle of bare substrate, in the x and y of the volume; it wins over /grid/substrate, "  \
      "and a side that is not given is open")                                                      \
    K(sample, substrate_x_to, QUANTITY, "m", "", "its other side")                                 \
    K(sample, substrate_y_from, QUANTITY, "m", "", "likewise along y")                             \
    K(sample, substrate_y_to, QUANTITY, "m", "", "its other side")                                 \
    K(sample, base, CHOICE, "bonded sliding", "bonded",                                            \
      "how a layer lies on its base: glued, or free to slide")                                     \
    K(sample, maugis_parameter, QUANTITY, "1", "",                                                 \
      "transition parameter lambda of the models between DMT and JKR; without it it is fitted")    \
    K(sample, maugis_parameter_u, QUANTITY, "1", "", "its standard uncertainty")                   \
    K(sample, grafting_density, QUANTITY, "m-2", "",                                               \
      "chains of a brush for each area, for contact.model brush; 3e14 m-2, 300 for each um2, is "  \
      "of the order published for cells (from memory)")                                            \
    K(sample, grafting_density_u, QUANTITY, "m-2", "", "its standard uncertainty")                 \
    K(sample, poisson_ratio, QUANTITY, "1", "0.5",                                                 \
      "Poisson's ratio of the sample: 0.5 for gels, cells and rubber, 0.3 to 0.4 for glassy "      \
      "polymers (common practice, no source)")                                                     \
    K(sample, poisson_ratio_u, QUANTITY, "1", "", "its standard uncertainty")                      \
    K(sample, equilibrium_separation, QUANTITY, "m", "0.3 nm",                                     \
      "z0 of the Tabor parameter: distance of two surfaces that attract without load; 0.2 to 0.4 " \
      "nm is common practice, no source")                                                          \
    K(baseline, order, CHOICE, "line offset", "line",                                              \
      "line fits offset and slope of the off-surface part, offset a constant only")                \
    K(baseline, shortest, QUANTITY, "1", "10 %",                                                   \
      "share of a segment's samples that must lie off the surface, else the pixel is rejected")    \
    K(contact, model, CHOICE, "@models", "paraboloid", "contact model, see docs/methods.md")       \
    K(contact, segment, CHOICE, "auto approach retract", "auto",                                   \
      "which segment is fitted; auto takes the one the model is made for")                         \
    K(contact, fit_space, CHOICE, "deflection force", "deflection",                                \
      "deflection fits deflection against piezo displacement, where the noise is; force fits "     \
      "force against indentation, which is biased for stiff contacts")                             \
    K(contact, from, RANGE, "", "0 %",                                                             \
      "lower end of the fitted part of the contact: a force, an indentation or % of peak force")   \
    K(contact, to, RANGE, "", "100 %", "upper end of it, likewise")                                \
    K(contact, noise, CHOICE, "auto white", "auto",                                                \
      "auto tests the residuals for memory (resonance, 1/f, drift) and, where they have one, "     \
      "refits with it; white takes the noise as white")                                            \
    K(contact, drift, QUANTITY, "m", "",                                                           \
      "rms step of the deflection from one sample to the next by drift alone (a random walk), as " \
      "measured on a free lever; without it drift_from says what is known of it")                  \
    K(contact, drift_from, CHOICE, "volume curve", "volume",                                       \
      "where drift is known from: volume = the off-surface parts of some 256 curves all over the " \
      "map together, which show what each of them hides; curve = each curve as far as it shows "   \
      "slow noise itself")                                                                         \
    K(contact, two_depths, CHOICE, "yes no", "yes",                                                \
      "also fit the shallow half of the indentation, as a check of thickness, contact point and "  \
      "model")                                                                                     \
    K(adhesion, work_from, CHOICE, "model dmt jkr none", "model",                                  \
      "work of adhesion: from the fitted adhesive model, or from the pull-off force by the "       \
      "relation of DMT (2 pi R w) or JKR (1.5 pi R w)")                                            \
    K(unloading, analysis, CHOICE, "none power_law", "none",                                       \
      "power_law = fit the unloading (retract) by F = B (h - h_f)^m for hardness and modulus "     \
      "after plastic deformation, docs/unloading.md")                                              \
    K(unloading, from, QUANTITY, "1", "25 %",                                                      \
      "lower end of the fitted part of the unloading, as share of its peak force")                 \
    K(unloading, to, QUANTITY, "1", "95 %", "upper end of it")                                     \
    K(unloading, zero_to, QUANTITY, "1", "50 %",                                                   \
      "part of the loading (approach), as share of its peak force, whose power law says where "    \
      "the depth begins")                                                                          \
    K(unloading, area, CHOICE, "auto function paraboloid sphere cone pyramid berkovich", "auto",   \
      "area over contact depth: function = tip.tip_area_quadratic and the others; auto = that "    \
      "where it is known, else by the tip that the contact model reads")                           \
    K(unloading, epsilon, QUANTITY, "1", "0.75",                                                   \
      "of h_c = h_max - epsilon P/S: 0.75 paraboloid and most sharp tips, 0.72 cone, 1 punch")     \
    K(unloading, beta, QUANTITY, "1", "1",                                                         \
      "of E_r = sqrt(pi) S/(2 beta sqrt(A)): 1 for a round tip, up to 1.05 for three-sided ones")  \
    K(depth, windows, COUNT, "16", "0",                                                            \
      "number of windows of indentation in which a modulus is found; 0 = none")                    \
    K(depth, deepest, QUANTITY, "m", "",                                                           \
      "indentation at which the last window ends; all are equally wide")                           \
    K(tethers, search, CHOICE, "no yes", "no", "look for rupture events on the retract")           \
    K(tethers, window, COUNT, "1000", "16",                                                        \
      "samples on either side of an event that are compared: more find weaker events, less part "  \
      "close ones")                                                                                \
    K(tethers, false_alarms, QUANTITY, "1", "5 %",                                                 \
      "share of curves without any event in which noise may look like one")                        \
    K(tethers, chain, CHOICE, "none wlc fjc", "none",                                              \
      "chain fitted to the force before the last event: worm-like or freely jointed")              \
    K(tethers, chain_unit, QUANTITY, "m", "",                                                      \
      "persistence length of wlc, Kuhn length of fjc, where it is known; without it it is fitted") \
    K(tethers, temperature, QUANTITY, "K", "298.15 K", "temperature of the chain")                 \
    K(lateral, measure, CHOICE, "no yes", "no",                                                    \
      "look at the lateral signal: /approach/lateral and /retract/lateral in V, or the quadrants") \
    K(lateral, crosstalk_from, CHOICE, "baseline contact given", "baseline",                       \
      "how the cross-talk of bending is found: baseline = from the lever's own motion off the "    \
      "surface; contact = from what does not turn its sign between approach and retract; given "   \
      "= the number below (docs/lateral.md)")                                                      \
    K(lateral, crosstalk, QUANTITY, "V/m", "",                                                     \
      "lateral signal for each unit of deflection, for crosstalk_from: given")                     \
    K(lateral, crosstalk_u, QUANTITY, "V/m", "", "its standard uncertainty")                       \
    K(lateral, torsional_sensitivity, QUANTITY, "rad/V", "",                                       \
      "twist of the lever's end for each volt of lateral signal")                                  \
    K(lateral, torsional_constant, QUANTITY, "N m", "",                                            \
      "torque for each radian of twist; with the sensitivity and tip.tip_height it makes forces")  \
    K(viscoelastic, model, CHOICE, "none power_law standard_linear_solid", "none",                 \
      "how the sample relaxes: fitted beside the contact model, by Ting's solution, where the "    \
      "volume has sample intervals (docs/viscoelastic.md)")                                        \
    K(viscoelastic, segments, CHOICE, "auto approach approach_dwell approach_retract all dwell",   \
      "auto",                                                                                      \
      "which segments that fit uses; auto takes all that are there; dwell keeps the contact "      \
      "point of the contact fit")                                                                  \
    K(viscoelastic, reference_time, QUANTITY, "s", "1 s",                                          \
      "time at which the modulus of the power law is given")                                       \
    K(viscoelastic, drag, CHOICE, "remove keep", "remove",                                         \
      "remove fits a force that goes with the speed of the piezo, and takes it off")               \
    K(viscoelastic, loss_tangent, CHOICE, "no yes", "no",                                          \
      "loss tangent from the area between approach and retract; needs no dwell between them")      \
    K(viscoelastic, drag_and_dwell, CHOICE, "auto no yes", "auto",                                 \
      "maps of the drag coefficient and of what changes in a dwell; auto: with the others of "     \
      "this section")                                                                              \
    K(limits, missing, QUANTITY, "1", "5 %", "largest share of missing samples in a curve")        \
    K(limits, baseline_slope, QUANTITY, "1", "0.1",                                                \
      "largest slope of deflection over z off the surface")                                        \
    K(limits, force_noise, QUANTITY, "N", "", "largest rms force noise of the baseline")           \
    K(limits, peak_force, QUANTITY, "N", "", "smallest peak force that counts as a contact")       \
    K(limits, snap_in, QUANTITY, "1", "20 %",                                                      \
      "largest snap-in force, as share of peak force, for a model without adhesion on approach")   \
    K(limits, depth_to_radius, QUANTITY, "1", "0.3",                                               \
      "largest indentation over tip radius for models of a paraboloid (at 0.28 the modulus of a "  \
      "true sphere is 2.8 % higher than the paraboloid says)")                                     \
    K(limits, depth_to_uncertainty, QUANTITY, "1", "3",                                            \
      "smallest indentation over standard error of the contact point")                             \
    K(limits, modulus_error, QUANTITY, "1", "50 %",                                                \
      "largest standard error of the modulus, as share of the modulus")                            \
    K(limits, stiffness_ratio_low, QUANTITY, "1", "0.001",                                         \
      "smallest contact stiffness over spring constant at the peak")                               \
    K(limits, stiffness_ratio_high, QUANTITY, "1", "100", "largest of the same")                   \
    K(limits, stiffness_ratio_force_space, QUANTITY, "1", "1",                                     \
      "largest of the same that a fit of force against indentation can take without bias")         \
    K(limits, residual, QUANTITY, "1", "10 %", "largest rms residual of the fit over peak force")  \
    K(limits, depth_change, QUANTITY, "1", "20 %",                                                 \
      "largest difference of the modulus of the shallow half from the modulus, if it is also "     \
      "four times its standard error")                                                             \
    K(limits, reduced_chi_square, QUANTITY, "1", "2",                                              \
      "largest mean square of the residuals in contact over that of the baseline")                 \
    K(limits, residual_runs, QUANTITY, "1", "5",                                                   \
      "largest standard score by which the residuals may have too few runs")                       \
    K(limits, pressure, QUANTITY, "Pa", "", "largest mean contact pressure at peak")               \
    K(limits, contact_to_pitch, QUANTITY, "1", "1", "largest contact diameter over pixel pitch")   \
    K(limits, tabor_dmt, QUANTITY, "1", "0.1", "largest Tabor parameter at which DMT is used")     \
    K(limits, tabor_jkr, QUANTITY, "1", "5", "smallest Tabor parameter at which JKR is used")      \
    K(limits, layer_ratio, QUANTITY, "1", "",                                                      \
      "layer models: largest chi = sqrt(R delta)/h, tan(angle) delta/h or a/h; without it 3 for "  \
      "the exact models and 1 for the series")                                                     \
    K(limits, layer_ratio_halfspace, QUANTITY, "1", "0.05",                                        \
      "models of a thick sample, where a thickness is known: largest contact radius over "         \
      "thickness (at 0.05 a bonded gel feels 6 % stiffer than it is)")                             \
    K(limits, surface_slope, QUANTITY, "rad", "20 degree",                                         \
      "largest angle between surface and scan plane (common practice, no source): a sphere that "  \
      "is pressed along z on a slope, held sideways and without friction, shows cos^(5/2) of E, "  \
      "14 % too little at 20 degree; noise of the contact height counts as slope")                 \
    K(limits, residual_depth, QUANTITY, "1", "0.7",                                                \
      "largest depth after unloading over depth: above it material may pile up (Oliver and Pharr " \
      "2004, from memory)")                                                                        \
    K(limits, unloading_adhesion, QUANTITY, "1", "10 %",                                           \
      "largest pull-off force, as share of peak force, that an unloading analysis may neglect")    \
    K(limits, tip_change, QUANTITY, "1", "0.5 %",                                                  \
      "largest chance of a false alarm in a clean map at which a step between two lines counts "   \
      "as a change of the tip (docs/tip-and-drift.md); 0 = do not look")                           \
    K(limits, loop_adhesion, QUANTITY, "1", "5 %",                                                 \
      "largest adhesion force over peak force where a viscoelastic fit or a loss tangent uses "    \
      "the retract")                                                                               \
    K(limits, modulus_low, QUANTITY, "Pa", "", "smallest modulus that is plausible")               \
    K(limits, modulus_high, QUANTITY, "Pa", "", "largest modulus that is plausible")               \
    K(output, modulus_unit, UNIT, "Pa", "kPa", "unit of the moduli in the map file")               \
    K(output, compression, COUNT, "9", "1", "deflate level of the finished map file, 0 to 9")

enum recipe_key {
#define K(section, key, kind, unit, standard, help) KEY_##section##_##key,
    RECIPE_KEYS(K)
#undef K
        KEY_COUNT
};

struct recipe_row {
    const char *section, *key;
    enum recipe_kind kind;
    const char *unit; /**< SI unit (QUANTITY, UNIT), choices (CHOICE), largest value (COUNT) */
    const char *standard, *help;
};
extern const struct recipe_row recipe_rows[KEY_COUNT];

/** What a RANGE means. */
enum range_of { RANGE_SHARE_OF_PEAK, RANGE_FORCE, RANGE_INDENTATION };

struct recipe_value {
    int given;           /**< stands in the recipe */
    int set;             /**< has a value, given or by default */
    int line;            /**< line of the recipe text, 0 when not given */
    char text[128];      /**< as written, or the default's text */
    double si;           /**< QUANTITY, RANGE: in SI; COUNT: the number; NaN when not set */
    int choice;          /**< CHOICE: index into the row's words */
    enum range_of range; /**< RANGE */
};

struct recipe {
    struct recipe_value v[KEY_COUNT];
    char *text;       /**< the recipe as given; "" when there was none. Owned */
    char *lever_text; /**< of calibration.lever_file; NULL when there is none. Owned */
    char path[512];   /**< where it came from; "" when there was none */
};

/** All defaults. Cannot fail but for memory or a defect of the table (a unit test loads it). */
enum status recipe_default(struct recipe *out, struct report *rep) MUST_CHECK;

/** Read a YAML recipe of at most 1 MiB, and the lever file that it names. Errors: ST_INPUT when it
 * cannot be read or is no plain file (a pipe); ST_RECIPE with path, line, key, and for an unknown
 * key or choice the list of valid ones and the nearest. On failure *out holds nothing to free. */
enum status recipe_load(struct recipe *out, const char *path, struct report *rep) MUST_CHECK;

/** The same from text in memory; `path` is used in messages only. A lever file is not read: put its
 * text (malloc'd) into out->lever_text. */
enum status recipe_parse(struct recipe *out, const char *text, size_t size, const char *path,
                         struct report *rep) MUST_CHECK;

void recipe_free(struct recipe *r);

/** Index of a word in a blank-separated list, -1 if not in it. "@models" stands for the model
 * names. */
int recipe_choice(const char *choices, const char *word);

/** The words of a CHOICE row, "@models" expanded. Static text. */
const char *recipe_choices(const struct recipe_row *row);

/** Stands in the recipe and says something else than the default, so that the user means it: a
 * printed recipe names every key. */
bool recipe_means(const struct recipe *r, enum recipe_key key);

/** The recipe as resolved, one JSON object {"section": {"key": {"value","origin"}}}; malloc'd text,
 *  caller frees; NULL without memory. */
char *recipe_json(const struct recipe *r);

/** Reference of all keys in Markdown: docs/recipe-keys.md is this function's output. */
void recipe_manual(FILE *out);

#endif
