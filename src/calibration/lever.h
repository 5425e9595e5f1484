/** What is known of detector, lever, tip and sample: values with standard uncertainties. */
#ifndef CANTLE_CALIBRATION_LEVER_H
#define CANTLE_CALIBRATION_LEVER_H

#include "base/status.h"

#include <stdbool.h>

struct recipe;

/** One row a quantity: name in the volume's /calibration and in the recipe, recipe section, SI
 * unit, smallest and largest value that can be meant, words for messages. */
#define LEVER_LIST(L)                                                                              \
    L(deflection_sensitivity, calibration, "m/V", 1e-12, 1e-3, "deflection sensitivity")           \
    L(quadrant_sensitivity, calibration, "m", 1e-12, 1e-2, "quadrant sensitivity")                 \
    L(spring_constant, calibration, "N/m", 1e-6, 1e6, "spring constant")                           \
    L(tilt, calibration, "rad", 0.0, 1.2, "tilt of the lever")                                     \
    L(lever_length, calibration, "m", 1e-7, 1e-1, "length of the lever")                           \
    L(tip_height, tip, "m", 1e-9, 1e-2, "height of the tip")                                       \
    L(tip_radius, tip, "m", 1e-10, 1e-2, "tip radius")                                             \
    L(tip_half_angle, tip, "rad", 1e-3, 1.57, "half-opening angle of the tip")                     \
    L(tip_face_angle, tip, "rad", 1e-3, 1.57, "face angle of the tip")                             \
    L(tip_profile_exponent, tip, "1", 1.0, 20.0, "exponent of the tip's profile")                  \
    L(tip_cap_radius, tip, "m", 1e-10, 1e-2, "radius at which the tip's cap meets its side")       \
    L(tip_area_quadratic, tip, "1", -1e4, 1e6, "quadratic coefficient of the tip's area function") \
    L(tip_area_linear, tip, "m", -1.0, 1.0, "linear coefficient of the tip's area function")       \
    L(tip_area_constant, tip, "m2", -1.0, 1.0, "constant of the tip's area function")              \
    L(tip_area_factor, tip, "1", 1e-3, 1e3, "factor on the tip's area function")                   \
    L(tip_modulus, tip, "Pa", 1e3, 1e13, "Young's modulus of the tip")                             \
    L(tip_poisson_ratio, tip, "1", -0.99, 0.5, "Poisson's ratio of the tip")                       \
    L(sample_thickness, sample, "m", 1e-10, 1e-1, "thickness of the sample")                       \
    L(maugis_parameter, sample, "1", 1e-3, 1e3, "transition parameter lambda after Maugis")        \
    L(grafting_density, sample, "m-2", 1e10, 1e20, "density of the brush's chains")                \
    L(poisson_ratio, sample, "1", -0.99, 0.5, "Poisson's ratio of the sample")

enum lever_item {
#define L(name, section, unit, low, high, words) LEVER_##name,
    LEVER_LIST(L)
#undef L
        LEVER_COUNT
};

/** A value that is known: NaN when it is not; u is NaN when no uncertainty was stated. */
struct known {
    double value, u;
    const char *origin; /**< "volume", "lever file", "recipe", "default" or ""; static text */
};

/** Whether a spring constant is that of the lever or, at its tilt, of a force along z. */
enum spring_tilt { SPRING_TILT_UNKNOWN, SPRING_TILT_CONTAINED, SPRING_TILT_NOT_CONTAINED };

extern const char *const spring_tilt_words[3]; /**< "", "contained", "not contained" */

struct lever {
    struct known item[LEVER_COUNT];
    double correlation; /**< of spring constant and deflection sensitivity in use; 0 = none known */
    bool spring_thermal; /**< the spring constant is from thermal noise with that sensitivity */
    enum spring_tilt spring_tilt;
    /** A tip value that was found with this very lever: tip_item, LEVER_COUNT when there is none.
     * It goes with ln of spring constant and sensitivity; tip_u is its u besides. */
    enum lever_item tip_item;
    double tip_by_spring, tip_by_sensitivity, tip_u;
    bool substrate_marked;   /**< the volume marks the pixels that are bare substrate */
    bool thickness_by_pixel; /**< each curve brings its sample thickness: it wins over the item */
};

struct lever_row {
    const char *name, *section, *si_unit;
    double low, high;
    const char *words;
};
extern const struct lever_row lever_rows[LEVER_COUNT];

/** Nothing known: all NaN, origin "". */
void lever_clear(struct lever *lever);

/** Values of `known` that are not NaN take the place of those of `lever`; tilt and correlation go
 * with them. */
void lever_over(struct lever *lever, const struct lever *known);

/** Range check of one value (and u >= 0 when stated): ST_INPUT with the words and the limits. */
enum status lever_check(enum lever_item item, const struct known *k, struct report *rep) MUST_CHECK;

/** Merge: the recipe's values win over those of the lever file it names, these over the volume's,
 * the recipe's defaults fill what is left. Errors: ST_RECIPE for a value out of range or a lever
 * file that is none. Whether a value is needed is the model's business.
 */
enum status lever_settle(const struct recipe *recipe, const struct lever *from_volume,
                         struct lever *out, struct report *rep) MUST_CHECK;

#endif
