#include "contact/contact.h"

#include <math.h>
#include <string.h>

#define M(name) &contact_##name,
static const struct contact_model *const models[CONTACT_COUNT] = {CONTACT_MODELS(M)};
#undef M

const struct contact_model *contact_at(int index)
{
    return models[index];
}

const struct contact_model *contact_find(const char *name)
{
    for (int i = 0; i < CONTACT_COUNT; i++)
        if (strcmp(models[i]->name, name) == 0) return models[i];
    return NULL;
}

const char *contact_names(void)
{
#define M(name) " " #name
    return &CONTACT_MODELS(M)[1];
#undef M
}

void contact_deflection(const struct contact_model *m, const struct contact_setup *s,
                        double reduced_modulus_pa, double work_j_per_m2, const double *x_m,
                        size_t n, double *deflection_m)
{
    double length, kappa, pull_n;
    m->scales(s, reduced_modulus_pa, work_j_per_m2, &length, &kappa, &pull_n);
    double pull_m = pull_n / s->spring_n_per_m;
    for (size_t i = 0; i < n; i++) {
        double t = (x_m[i] + pull_m) / length, y, y_t, y_k;
        m->lever(kappa, &t, 1, &y, &y_t, &y_k);
        /* a zero slope marks the branch's end: no contact */
        deflection_m[i] = y_t > 0 ? length * y - pull_m : 0.0;
    }
}
