#include "calibration/lever.h"

#include "base/units.h"
#include "recipe/recipe.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const struct lever_row lever_rows[LEVER_COUNT] = {
#define L(name, section, unit, low, high, words) {#name, #section, unit, low, high, words},
    LEVER_LIST(L)
#undef L
};

static const struct {
    enum recipe_key value, u;
} keys[LEVER_COUNT] = {
#define L(name, section, unit, low, high, words)                                                   \
    {KEY_##section##_##name, KEY_##section##_##name##_u},
    LEVER_LIST(L)
#undef L
};

void lever_clear(struct lever *lever)
{
    lever->thickness_by_pixel = lever->substrate_marked = false;
    for (int i = 0; i < LEVER_COUNT; i++)
        lever->item[i] = (struct known){NAN, NAN, ""};
}

/* People think of tip angles in degrees. */
static double shown(const struct lever_row *row, double si)
{
    return strcmp(row->si_unit, "rad") == 0 ? si * 180 / acos(-1) : si;
}

static const char *shown_unit(const struct lever_row *row)
{
    if (strcmp(row->si_unit, "rad") == 0) return " degree";
    if (strcmp(row->si_unit, "N/m") == 0) return " N/m";
    if (strcmp(row->si_unit, "m/V") == 0) return " m/V";
    return strcmp(row->si_unit, "m") == 0 ? " m" : "";
}

enum status lever_check(enum lever_item item, const struct known *k, struct report *rep)
{
    const struct lever_row *row = &lever_rows[item];
    const char *unit = shown_unit(row);
    if (!(k->value >= row->low && k->value <= row->high))
        return fail(rep, ST_INPUT, "%s is %g%s; it must lie between %g and %g%s", row->words,
                    shown(row, k->value), unit, shown(row, row->low), shown(row, row->high), unit);
    if (k->u < 0 || isinf(k->u))
        return fail(rep, ST_INPUT, "standard uncertainty of %s is %g%s; it must not be negative%s",
                    row->words, shown(row, k->u), unit, isinf(k->u) ? " or infinite" : "");
    return ST_OK;
}

/* A given value takes its uncertainty from the recipe alone: the volume's belonged to another
 * value. A given uncertainty without a value goes with whatever value holds. */
static struct known settle_one(const struct recipe_value *value, const struct recipe_value *u,
                               const struct known *from_volume)
{
    struct known k = *from_volume;
    if (value->given)
        k = (struct known){value->si, NAN, "recipe"};
    else if (isnan(k.value) && value->set)
        k = (struct known){value->si, NAN, "default"};
    if (u->set) k.u = u->si;
    return k;
}

enum status lever_settle(const struct recipe *recipe, const struct lever *from_volume,
                         struct lever *out, struct report *rep)
{
    out->thickness_by_pixel = from_volume->thickness_by_pixel;
    out->substrate_marked = from_volume->substrate_marked;
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct lever_row *row = &lever_rows[i];
        const struct recipe_value *value = &recipe->v[keys[i].value], *u = &recipe->v[keys[i].u];
        struct known *k = &out->item[i];
        *k = settle_one(value, u, &from_volume->item[i]);
        if (isnan(k->value) && u->given)
            return fail(rep, ST_RECIPE,
                        "%s: line %d: %s.%s_u: an uncertainty of a value that neither recipe nor "
                        "volume give; add %s.%s",
                        recipe->path, u->line, row->section, row->name, row->section, row->name);
        if (isnan(k->value)) {
            *k = (struct known){NAN, NAN, ""};
            continue;
        }
        if (lever_check((enum lever_item)i, k, rep) == ST_OK) continue;
        if (value->given)
            return within(rep, ST_RECIPE, "%s: line %d: %s.%s: ", recipe->path, value->line,
                          row->section, row->name);
        return within(rep, ST_RECIPE, "%s.%s (from the %s): ", row->section, row->name, k->origin);
    }
    return ST_OK;
}
