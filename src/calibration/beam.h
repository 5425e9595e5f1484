/** The rectangular lever as a beam: stiffness, resonance, mode shapes, twist, an added mass.
 *
 *  Uniform cross-section, clamped at one end, Euler-Bernoulli (S. Timoshenko, D. H. Young, W.
 * Weaver, Vibration Problems in Engineering). SI throughout; nothing can fail: impossible input
 * gives NaN or infinity. */
#ifndef CANTLE_CALIBRATION_BEAM_H
#define CANTLE_CALIBRATION_BEAM_H

struct beam {
    double length_m, width_m, thickness_m, modulus_pa, density_kg_m3;
};

/** k = E w t^3/(4 L^3), N/m: end load, no tilt in it. */
double beam_spring_constant(const struct beam *b);
/** First resonance in vacuum, f0 = (alpha1^2/(2 pi)) (t/L^2) sqrt(E/(12 rho)), Hz. */
double beam_resonance_hz(const struct beam *b);
/** rho w t L, kg. */
double beam_mass_kg(const struct beam *b);
/** k/(2 pi f0)^2 = 3/alpha1^4 = 0.2427 of the mass, kg. */
double beam_effective_mass_kg(const struct beam *b);

/** Mode n = 1, 2, ... of a clamped-free beam. Shares are of kB T/k: H.-J. Butt, M. Jaschke,
 *  Nanotechnology 6 (1995) 1. */
struct beam_mode {
    double alpha;              /**< cos(alpha) cosh(alpha) = -1 */
    double slope;              /**< L times the slope at the end over the deflection there */
    double share;              /**< 12/alpha^4: k <q^2>/(kB T), q the true motion of the end */
    double apparent_over_true; /**< (2/3) slope: what a detector of slope reads that was calibrated
                                    with a static end load, over the true motion of the end */
    double share_apparent;     /**< share times its square */
};
struct beam_mode beam_mode(int n);

/** Torque for each radian of twist, w >> t: G w t^3/(3 L), N m. S. P. Timoshenko, J. N. Goodier,
 *  Theory of Elasticity; for levers M. A. Neumeister, W. A. Ducker, Rev. Sci. Instrum. 65 (1994)
 *  2527 (attribution from memory). poisson: of the lever, G = E/(2 (1 + nu)). */
double beam_torsion_thin(const struct beam *b, double poisson);
/** The same with Saint-Venant's constant of a rectangle, any w >= t. */
double beam_torsion(const struct beam *b, double poisson);
/** The thin value from the spring constant: 2 k L^2/(3 (1 + nu)), an identity of the two formulas.
 */
double beam_torsion_from_spring(double spring_n_per_m, double length_m, double poisson);
/** Lateral stiffness at the apex of a tip of this height: k_phi/h^2, N/m. */
double beam_lateral(double torsion_n_m, double tip_height_m);

/** k = (2 pi)^2 m/(f1^-2 - f0^-2): mass m at the end takes the resonance from f0 to f1. J. P.
 *  Cleveland et al., Rev. Sci. Instrum. 64 (1993) 403. */
double beam_added_mass(double mass_kg, double loaded_hz, double free_hz);

#endif
