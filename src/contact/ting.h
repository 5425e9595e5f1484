/** A viscoelastic half-space under a rigid tip, pressed and withdrawn by a lever.
 *
 *  T. C. T. Ting, J. Appl. Mech. 33 (1966) 845; while the contact grows also E. H. Lee, J. R. M.
 *  Radok, J. Appl. Mech. 27 (1960) 438. For an elastic law F = c E delta^n:
 *   - while the contact grows      F(t) = c int_0^t  E(t - s) d(delta^n)/ds ds
 *   - after its largest extent     F(t) = c int_0^t1 E(t - s) d(delta^n)/ds ds,
 *     t1(t) of the growing part from  int_t1^t E(t - s) d(delta)/ds ds = 0;  F = 0 once t1 = 0,
 *     which is before the indentation is back at zero.
 *  Poisson's ratio does not depend on time; one growth and one withdrawal; no adhesion.
 *
 *  The indentation is not given but found with the force: the lever carries d = F/k at the piezo
 *  displacement x beyond the contact point, and delta = x - d. So each step in time is an equation
 *  in one unknown. delta and delta^n run straight between samples (an error of second order in the
 *  step); the integral of E over the step at hand is exact, and older steps are held by a sum of
 *  exponentials, so that a curve of n samples costs n steps and not n^2. */
#ifndef CANTLE_CONTACT_TING_H
#define CANTLE_CONTACT_TING_H

#include <stdbool.h>
#include <stddef.h>

enum ting_law { TING_POWER_LAW, TING_LINEAR_SOLID };

/** E(t), the modulus that relaxes after a step of strain. */
struct ting_solid {
    enum ting_law law;
    double modulus;   /**< power law: E(reference); linear solid: E(0) = E_inf + E_1 */
    double exponent;  /**< power law: alpha in E(t) = modulus (t/reference)^-alpha, -0.2 < alpha
                         < 1: below zero a sample that hardens, which only noise or drift shows */
    double reference; /**< power law: s */
    double relaxed; /**< linear solid: E_inf/E(0); E(t) = E(0) (relaxed + (1 - relaxed) e^(-t/tau))
                     */
    double time;    /**< linear solid: tau, s */
};

double ting_modulus(const struct ting_solid *solid, double t_s);

enum { TING_PARTS = 3, TING_TERMS = 64 };

/** z over time: up to three parts (approach, dwell, retract) of even steps. */
struct ting_path {
    size_t n;
    const double *z_m; /**< [n] piezo displacement, growing towards the sample; borrowed */
    int parts;
    bool withdraws;           /**< the last part is the withdrawal: there the contact may shrink */
    size_t first[TING_PARTS]; /**< index of each part's first sample; first[0] = 0 */
    double step_s[TING_PARTS];
    double gap_s[TING_PARTS]; /**< from the last sample of the part before to its first */
};

/** Tip and lever. */
struct ting_tip {
    double power;      /**< n: 1 flat punch, 1.5 paraboloid, 2 cone */
    double factor;     /**< c: F = c E delta^n, N/(Pa m^n) */
    double compliance; /**< 1/k, m/N; 0: z is the indentation itself */
};

struct ting_work;
/** Buffers for paths of up to n_max samples; NULL without memory. Pages that no path needs are
 * never touched. */
struct ting_work *ting_work_new(size_t n_max);
size_t ting_work_bytes(size_t n_max); /**< what it takes */
void ting_work_free(struct ting_work *w);

struct ting_end {
    size_t touched; /**< index of the first sample in contact, n if there is none */
    size_t turned;  /**< first sample of the withdrawal (t1 is solved from here), n if it never
                         comes */
    size_t lost;    /**< first sample without contact after it, n if contact lasts */
};

/** Force over the path for a contact that begins at z = contact_m.
 *  @param force_n  [n]
 *  @param t1_s     [n] time from first contact to t1, NaN before the withdrawal; may be NULL */
void ting_force(const struct ting_solid *solid, const struct ting_tip *tip,
                const struct ting_path *path, double contact_m, struct ting_work *w,
                double *force_n, double *t1_s, struct ting_end *end);

/** A power law of unit modulus at unit time as a sum of exponentials, t^-exponent = sum of weight
 *  e^(-rate t) to 1e-8 over from .. to (to/from up to 1e8): the trapezoidal rule over
 *  1/Gamma(a) int e^(-t e^u + a u) du, G. Beylkin, L. Monzon, Appl. Comput. Harmon. Anal. 19 (2005)
 *  17; rates too slow to matter one by one are joined to two by their
 *  moments. exponent: -0.2 .. 0.95, not 0.
 *  @return terms */
int ting_exponentials(double exponent, double from_s, double to_s, double rate[TING_TERMS],
                      double weight[TING_TERMS]);

#endif
