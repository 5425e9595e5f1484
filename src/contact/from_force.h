/** Private to contact/: the lever's curve of a model whose force is known as a function of the
 *  indentation, f(u) with f(0) = 0, growing: y = kappa f(u) where u + kappa f(u) = t. */
#ifndef CANTLE_CONTACT_FROM_FORCE_H
#define CANTLE_CONTACT_FROM_FORCE_H

#include "contact/contact.h"

/** A reduced force: f and df/du at u > 0. */
struct reduced_force {
    void (*at)(const void *context, double u, double *f, double *slope);
    const void *context;
};

/** lever() of the model. */
void from_force_lever(const struct reduced_force *force, double kappa, const double *t, size_t n,
                      struct contact_columns *out);
/** force() of the model. */
void from_force_force(const struct reduced_force *force, const double *u, size_t n,
                      struct contact_columns *out);

#endif
