/** Chain molecules under tension: force and extension of one that is held at both ends. */
#ifndef CANTLE_CONTACT_CHAIN_H
#define CANTLE_CONTACT_CHAIN_H

#include <stdbool.h>

/** k_B, SI definition of 2019, exact. J/K */
#define BOLTZMANN_J_PER_K 1.380649e-23

enum chain_kind { CHAIN_WLC, CHAIN_FJC };

/** A chain. length_m: contour length L; unit_m: persistence length of the worm-like chain, Kuhn
 * length of the freely jointed one; stretch_n: stretch modulus of the jointed chain's segments,
 * INFINITY = they do not stretch (the worm-like chain here never does). */
struct chain {
    enum chain_kind kind;
    double temperature_k, length_m, unit_m, stretch_n;
};

/** Force of a worm-like chain at an extension x in [0, L): (kB T/Lp) [1/(4 (1-x/L)^2) - 1/4 + x/L +
 * sum_{i=2..7} a_i (x/L)^i], C. Bouchiat et al., Biophys. J. 76 (1999) 409; the sum is left out for
 * J. F. Marko, E. D. Siggia, Macromolecules 28 (1995) 8759. slope (dF/dx) may be NULL. Zero below
 * x = 0, INFINITY from L on. */
double chain_wlc_force(const struct chain *c, double x_m, double *slope);
double chain_marko_siggia_force(const struct chain *c, double x_m);

/** Extension of a freely jointed chain at a force F >= 0: L [coth s - 1/s] (1 + F/K), s = F b/(kB
 * T); S. B. Smith, Y. Cui, C. Bustamante, Science 271 (1996) 795. slope: dx/dF; by_unit: dx / d ln
 * b. Both may be NULL. */
double chain_fjc_extension(const struct chain *c, double force_n, double *slope, double *by_unit);

/** A chain between the sample and a lever whose rest position is x0 above the surface: the lever
 * bends by d <= 0, -k d = F(x0 + d). */
struct chain_point {
    double deflection_m, force_n;
    double by_rest;                  /**< dd / dx0 */
    double by_ln_unit, by_ln_length; /**< dd / d ln unit, dd / d ln L */
};
/** x0 <= 0: slack, all zero. */
struct chain_point chain_at(const struct chain *c, double spring_n_per_m, double x0_m);

#endif
