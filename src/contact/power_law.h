/** Private to contact/: what the adhesive relatives of the paraboloid share with it. */
#ifndef CANTLE_CONTACT_POWER_LAW_H
#define CANTLE_CONTACT_POWER_LAW_H

#include "contact/contact.h"

/** s >= 0 with s^3 + s^2 = t (t > 0), from a start > 0. */
double power_law_root_three_halves(double t, double start);
/** lever() and force() of F ~ delta^(3/2). */
void power_law_lever_three_halves(const struct contact_shape *s, const double *t, size_t n,
                                  struct contact_columns *out);
void power_law_force_three_halves(const struct contact_shape *s, const double *u, size_t n,
                                  struct contact_columns *out);
/** Length for which a power-law contact carries deflection d at displacement x. */
double power_law_match(double x_m, double deflection_m, double power);
/** A / E* of the paraboloid: 4/3 sqrt(R). */
double paraboloid_factor(const struct contact_setup *s);

#endif
