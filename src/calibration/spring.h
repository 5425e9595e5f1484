/** The spring constant by several methods from one set of inputs, with what they have in common.
 *
 *  All methods are functions of the same vector of inputs, so that one Monte Carlo gives each
 * method's uncertainty, its correlation with the sensitivity, and the uncertainty of the difference
 * of two methods, in which the inputs they share cancel as far as they do.
 *
 *  Frame: every value is the lever's own, for a force at right angles to it (tilt not contained),
 * but for one case. A sensitivity from pressing on a hard surface is deflection along z for each
 * volt; with it, thermal noise gives a stiffness along z, in which the tilt is contained already.
 * With D the tip's height, L the lever's length, t its tilt and e = D/L the lever's own is k = k_z'
 * [(cos^2 t - 3 e sin t cos t + 3 e^2 sin^2 t)/(cos t - 2 e sin t)]^2 (derived: static end load and
 * moment of a frictionless tip on an Euler-Bernoulli beam, read by its end slope; for e = 0 it is
 * cos^2 t). Without a tilt the value is left as it is and said to contain it. */
#ifndef CANTLE_CALIBRATION_SPRING_H
#define CANTLE_CALIBRATION_SPRING_H

#include "calibration/propagate.h"
#include "calibration/thermal.h"

/** One row an input: name, SI unit, positive, words. */
#define SPRING_INPUT_LIST(P)                                                                       \
    P(temperature, "K", 1, "temperature of lever and fluid")                                       \
    P(sensitivity, "m/V", 1, "deflection sensitivity")                                             \
    P(area, "V2", 1, "mean square of the detector signal, from the thermal spectrum")              \
    P(resonance, "Hz", 1, "resonance of the first mode in the fluid")                              \
    P(quality, "1", 1, "quality factor of the first mode")                                         \
    P(length, "m", 1, "length of the lever")                                                       \
    P(width, "m", 1, "width of the lever")                                                         \
    P(thickness, "m", 1, "thickness of the lever")                                                 \
    P(modulus, "Pa", 1, "Young's modulus of the lever")                                            \
    P(poisson, "1", 0, "Poisson's ratio of the lever")                                             \
    P(density, "kg m-3", 1, "density of the lever")                                                \
    P(fluid_density, "kg m-3", 1, "density of the fluid")                                          \
    P(viscosity, "Pa s", 1, "viscosity of the fluid")                                              \
    P(tilt, "rad", 0, "tilt of the lever against the surface")                                     \
    P(tip_height, "m", 1, "height of the tip")                                                     \
    P(spring_constant, "N/m", 1, "spring constant that is known already")                          \
    P(torsional_sensitivity, "rad/V", 1, "twist of the end for each volt of the lateral signal")   \
    P(torsional_area, "V2", 1, "mean square of the lateral signal, from its thermal spectrum")

enum spring_input {
#define P(name, unit, positive, words) SPRING_##name,
    SPRING_INPUT_LIST(P)
#undef P
        SPRING_INPUTS
};
struct spring_input_row {
    const char *name, *si_unit;
    bool positive;
    const char *words;
};
extern const struct spring_input_row spring_inputs[SPRING_INPUTS];

/** One row a method: name, unit, words, source. The first four give the spring constant, the next
 * three the torsional constant; the last follows from one of these. */
#define SPRING_METHOD_LIST(M)                                                                      \
    M(thermal, "N/m", "thermal noise and equipartition",                                           \
      "J. L. Hutter, J. Bechhoefer, Rev. Sci. Instrum. 64 (1993) 1868; factor of H.-J. Butt, M. "  \
      "Jaschke, Nanotechnology 6 (1995) 1")                                                        \
    M(sader, "N/m", "resonance, quality factor and plan of a rectangle in a fluid",                \
      "J. E. Sader, J. W. M. Chon, P. Mulvaney, Rev. Sci. Instrum. 70 (1999) 3967")                \
    M(added_mass, "N/m", "shift of the resonance by masses at the end",                            \
      "J. P. Cleveland et al., Rev. Sci. Instrum. 64 (1993) 403")                                  \
    M(dimensions, "N/m", "dimensions and Young's modulus of a rectangle",                          \
      "Euler-Bernoulli beam, k = E w t^3/(4 L^3)")                                                 \
    M(torsional_thermal, "N m", "torsional constant from thermal noise of the twist",              \
      "equipartition over the modes sin((2n - 1) pi x/(2 L)) of a uniform bar; derived")           \
    M(torsion, "N m", "torsional constant from the dimensions",                                    \
      "Saint-Venant, S. P. Timoshenko, J. N. Goodier, Theory of Elasticity")                       \
    M(torsion_from_spring, "N m", "torsional constant from the spring constant, thin lever",       \
      "2 k L^2/(3 (1 + nu)), identity of the two beam formulas")                                   \
    M(lateral, "N/m", "lateral spring constant at the apex of the tip, by twist alone",            \
      "torsional constant over the square of the tip's height; M. A. Neumeister, W. A. Ducker, "   \
      "Rev. Sci. Instrum. 65 (1994) 2527 (attribution from memory)")

enum spring_method {
#define M(name, unit, words, source) METHOD_##name,
    SPRING_METHOD_LIST(M)
#undef M
        METHOD_COUNT,
    METHOD_SPRINGS = METHOD_torsional_thermal, /**< those before it give the spring constant */
    METHOD_TWISTS = METHOD_lateral             /**< those between give the torsional constant */
};
struct spring_method_row {
    const char *name, *si_unit, *words, *source;
};
extern const struct spring_method_row spring_methods[METHOD_COUNT];

enum { SPRING_MASSES = 8 };

struct spring_job {
    struct unsure input[SPRING_INPUTS]; /**< NaN: not known */
    double fit_correlation[3][3];       /**< of ln area, ln resonance, ln quality */
    enum motion motion;
    enum band band;
    size_t masses; /**< added to the end, one at a time */
    struct unsure mass_kg[SPRING_MASSES], loaded_hz[SPRING_MASSES];
    struct unsure free_hz; /**< resonance without; NaN: the input `resonance` */
    /** Whose torsional constant the lateral one is made of; METHOD_COUNT: the first that is there.
     */
    enum spring_method twist;
    size_t draws;
};

/** Two methods against each other. */
struct spring_pair {
    double difference; /**< ln(k_a/k_b) */
    double u;          /**< its standard uncertainty, common inputs taken out */
    bool agree;        /**< the difference is within two of them */
};

struct spring_results {
    struct propagated method[METHOD_COUNT];
    struct spring_pair pair[METHOD_SPRINGS][METHOD_SPRINGS]; /**< NaN where one is not there */
    bool tilt_contained[METHOD_SPRINGS];
};

/** Nothing known. */
void spring_clear(struct spring_job *job);

/** All methods for which the inputs are known. Errors: ST_MEMORY. */
enum status spring_run(const struct spring_job *job, struct spring_results *out,
                       struct report *rep) MUST_CHECK;

/** What the tilt makes of a stiffness found with a z sensitivity: k = k' times this (above). */
double spring_tilt_of_sensitivity(double tilt_rad, double tip_height_m, double length_m);

/** Inputs that a method lacks, as words "a, b" into out; empty when it has all. */
void spring_lacks(const struct spring_job *job, enum spring_method method, char *out, size_t size);

#endif
