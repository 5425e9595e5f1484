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
                        const struct contact_sample *sample, const double *x_m, size_t n,
                        double *deflection_m)
{
    double length, pull_n, y, slope, by_lnkappa, by_extra;
    struct contact_shape shape = {.setup = s, .extra = sample->extra};
    struct contact_columns columns = {&y, &slope, &by_lnkappa, &by_extra};
    m->scales(s, sample, &length, &shape.kappa, &pull_n);
    double pull_m = pull_n / s->spring_n_per_m;
    for (size_t i = 0; i < n; i++) {
        double t = (x_m[i] + pull_m) / length;
        m->lever(&shape, &t, 1, &columns);
        /* a zero slope marks the branch's end: no contact; below zero it is on the way from the
         * force minimum to the end, which a stiff lever can go */
        deflection_m[i] = slope != 0 ? length * y - pull_m : 0.0;
    }
}
