/** What the tilt of the lever does to its spring constant. */
#ifndef CANTLE_CALIBRATION_TILT_H
#define CANTLE_CALIBRATION_TILT_H

/** In the order of the recipe's words of calibration.tilt_correction. NONE: no correction.
 *  CONTAINED: none either, since the spring constant that is given already holds it. */
enum tilt_correction {
    TILT_NONE,
    TILT_COSINE_SQUARED,
    TILT_HEIM,
    TILT_HUTTER,
    TILT_BEAM,
    TILT_CONTAINED
};

/** Factor f of k_eff = f k, for a lever of length L at the angle t to the sample, whose tip of
 * height D stands at its end, and a force normal to the sample, without friction:
 *   COSINE_SQUARED  1/cos^2 t
 *   HEIM            1/[cos^2 t (1 - (2 D/L) tan t)]  L. O. Heim, M. Kappl, H.-J. Butt, Langmuir 20
 *                   (2004) 2760
 *   HUTTER          1/[cos t (1 - (3 D/(2 L)) tan t)]^2  J. L. Hutter, Langmuir 21 (2005) 2630;
 *                   from memory, not confirmed
 *   BEAM            1/[cos^2 t - 3 (D/L) sin t cos t + 3 (D/L)^2 sin^2 t]  derived: stiffness
 * normal to the sample of the apex of a rigid tip on an Euler-Bernoulli beam NONE, CONTAINED: 1.
 * NaN where the formula has no positive value (a tall tip on a short lever).
 *  @param tip_height, length  in one unit; looked at by HEIM, HUTTER and BEAM only */
double tilt_factor(enum tilt_correction correction, double tilt_rad, double tip_height,
                   double length);

/** Whether the correction reads tip height and lever length. */
int tilt_needs_tip(enum tilt_correction correction);

#endif
