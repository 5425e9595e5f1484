/* What a model's setup owns: the universal function of the layer models. */
#include "contact/contact.h"
#include "contact/layer.h"

enum status contact_prepare(const struct contact_model *m, struct contact_setup *setup,
                            struct report *rep)
{
    struct layer *layer;
    setup->layer = NULL;
    if (m->bonded_only && setup->sliding_base)
        return fail(rep, ST_RECIPE,
                    "the model '%s' describes a layer bonded to its base only; write sample.base: "
                    "bonded, or choose another contact.model",
                    m->name);
    if (!m->layer_exact) return ST_OK;
    enum status st = layer_new(m->layer_shape, setup->sliding_base, setup->poisson_ratio, &layer,
                               rep);
    if (st == ST_OK) setup->layer = layer;
    return st;
}

bool contact_is_prepared(const struct contact_model *m, const struct contact_setup *setup)
{
    if (m->bonded_only && setup->sliding_base) return false;
    if (!m->layer_exact) return true;
    return setup->layer &&
           layer_is_for(setup->layer, m->layer_shape, setup->sliding_base, setup->poisson_ratio);
}

void contact_release(struct contact_setup *setup)
{
    layer_free(setup->layer);
    setup->layer = NULL;
}
