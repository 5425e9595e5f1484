/** Thermal noise of a lever: equipartition, and the factors that go with it.
 *
 *  The mean square of the first mode is a share of kB T/k. Which share depends on what the
 * sensitivity means (H.-J. Butt, M. Jaschke, Nanotechnology 6 (1995) 1):
 *   - true motion of the end (interferometer, or a sensitivity found from free vibration):
 *     12/alpha1^4 = 0.971;
 *   - a detector of slope (optical lever) whose sensitivity was found with a load at the end, on a
 * hard surface: 0.817 = 0.971 x 0.918^2. The 1.09 that one meets is 1/0.918, the ratio of the two
 *     sensitivities: it is in the 0.817 already, and using both counts the mode's shape twice. So
 * is 1.106 = 1/sqrt(0.817), which holds the 0.971 besides. Shares of the whole spectrum, all modes:
 * 1 for the true motion, 4/3 for the optical lever. */
#ifndef CANTLE_CALIBRATION_THERMAL_H
#define CANTLE_CALIBRATION_THERMAL_H

#define BOLTZMANN_J_PER_K 1.380649e-23 /* SI Brochure, 9th edition (2019), exact */

/** What the sensitivity stands for. */
#define MOTION_LIST(M)                                                                             \
    M(contact, "optical lever, sensitivity from a hard surface (load at the end)")                 \
    M(free, "true motion of the free end (interferometer, or sensitivity from free vibration)")
enum motion {
#define M(name, words) MOTION_##name,
    MOTION_LIST(M)
#undef M
        MOTION_COUNT
};
extern const char *const motion_names[MOTION_COUNT], *const motion_words[MOTION_COUNT];

/** Which part of the spectrum the mean square is of. */
enum band { BAND_first_mode, BAND_whole };

/** k <d^2>/(kB T). */
double thermal_share(enum motion motion, enum band band);

/** k_phi <phi^2>/(kB T) of the twist of the end. A uniform bar, clamped and free, twists in the
 * modes sin((2n - 1) pi x/(2 L)), and equipartition gives each 8/((2n - 1)^2 pi^2): 0.811 for the
 * first, 1 for all (derived). A detector of angle reads the twist itself, whatever its shape along
 * the lever: there is no second factor. */
double thermal_twist_share(enum band band);

/** k = share kB T/(s^2 P): P mean square of the detector, V^2. J. L. Hutter, J. Bechhoefer, Rev.
 * Sci. Instrum. 64 (1993) 1868. */
double thermal_spring_constant(double temperature_k, double sensitivity_m_per_v, double area_v2,
                               double share);
/** The inverse: s from a known static k. M. J. Higgins et al., Rev. Sci. Instrum. 77 (2006) 013701
 *  (attribution from memory), with the static k made the first mode's by the 0.971. The share says
 *  which s comes out: MOTION_contact that of a hard surface, MOTION_free that of the free end. */
double thermal_sensitivity(double temperature_k, double spring_n_per_m, double area_v2,
                           double share);

/** One-sided spectrum of a damped harmonic oscillator whose mean square is `area`: [2 A/(pi f0 Q)]
 * /
 *  [(1 - (f/f0)^2)^2 + (f/(f0 Q))^2]. */
double thermal_density(double area, double resonance_hz, double quality, double f_hz);

#endif
