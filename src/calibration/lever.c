#include "calibration/lever.h"

#include "base/units.h"
#include "calibration/lever_file.h"
#include "recipe/recipe.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
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

const char *const spring_tilt_words[3] = {"", "contained", "not contained"};

void lever_clear(struct lever *lever)
{
    lever->thickness_by_pixel = lever->substrate_marked = false;
    lever->correlation = 0;
    lever->tip_item = LEVER_COUNT;
    lever->spring_thermal = false;
    lever->spring_tilt = SPRING_TILT_UNKNOWN;
    for (int i = 0; i < LEVER_COUNT; i++)
        lever->item[i] = (struct known){NAN, NAN, ""};
}

void lever_over(struct lever *lever, const struct lever *known)
{
    bool k = isfinite(known->item[LEVER_spring_constant].value),
         s = isfinite(known->item[LEVER_deflection_sensitivity].value);
    for (int i = 0; i < LEVER_COUNT; i++)
        if (isfinite(known->item[i].value)) lever->item[i] = known->item[i];
    if (k) lever->spring_tilt = known->spring_tilt;
    if (!k && !s) return;
    lever->correlation = k && s ? known->correlation : 0; /* of a mixed pair nothing is known */
    lever->spring_thermal = k && s && known->spring_thermal;
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

/* --- the lever file --- */

/* What the recipe's lever file knows takes the place of what the volume says. */
static enum status read_lever_file(const struct recipe *recipe, struct lever *lever,
                                   struct lever_file *file, struct report *rep)
{
    const struct recipe_value *key = &recipe->v[KEY_calibration_lever_file];
    file->n = 0;
    if (!key->set) return ST_OK;
    if (!recipe->lever_text)
        return fail(rep, ST_RECIPE,
                    "%s: line %d: calibration.lever_file: the text of '%s' is not at hand here",
                    recipe->path, key->line, key->text);
    enum status st = lever_file_parse(file, recipe->lever_text, strlen(recipe->lever_text),
                                      key->text, rep);
    if (st != ST_OK)
        return within(rep, st, "%s: line %d: calibration.lever_file: ", recipe->path, key->line);
    for (size_t i = 0; i < file->n; i++) {
        const struct lever_record *r = &file->record[i];
        if (r->item < LEVER_COUNT)
            lever->item[r->item] = (struct known){r->value, r->u, "lever file"};
    }
    return ST_OK;
}

static bool is_from_file(const struct lever *lever, enum lever_item item, const char *name,
                         const struct lever_file *file)
{
    return lever_file_find(file, name) && strcmp(lever->item[item].origin, "lever file") == 0;
}

/* Values that were found with each other err together, unless the recipe has replaced one of them
 * or its uncertainty. A volume that was made with a lever file says the same of its own values. */
static void settle_pair(const struct recipe *recipe, const struct lever_file *file,
                        const struct lever *from_volume, struct lever *out)
{
    static const char k_name[] = "spring_constant", s_name[] = "deflection_sensitivity";
    const char *k = out->item[LEVER_spring_constant].origin,
               *s = out->item[LEVER_deflection_sensitivity].origin;
    bool whole = !recipe->v[KEY_calibration_spring_constant_u].given &&
                 !recipe->v[KEY_calibration_deflection_sensitivity_u].given;
    lever_file_pair(file, is_from_file(out, LEVER_spring_constant, k_name, file),
                    whole && is_from_file(out, LEVER_deflection_sensitivity, s_name, file), out);
    if (strcmp(k, "volume") != 0) return;
    out->spring_tilt = from_volume->spring_tilt;
    if (!whole || strcmp(s, "volume") != 0) return;
    out->correlation = from_volume->correlation;
    out->spring_thermal = from_volume->spring_thermal;
}

/* A tip found on a reference sample holds the errors of the lever it was found with. */
static void settle_tip(const struct recipe *recipe, const struct lever_file *file,
                       struct lever *out)
{
    static const struct {
        enum lever_item item;
        enum recipe_key u;
    } tips[] = {{LEVER_tip_radius, KEY_tip_tip_radius_u},
                {LEVER_tip_half_angle, KEY_tip_tip_half_angle_u},
                {LEVER_tip_face_angle, KEY_tip_tip_face_angle_u},
                {LEVER_tip_area_factor, KEY_tip_tip_area_factor_u}};
    const struct lever_record *k = lever_file_find(file, "spring_constant");
    out->tip_item = LEVER_COUNT;
    if (!k || !is_from_file(out, LEVER_spring_constant, "spring_constant", file)) return;
    for (size_t i = 0; i < sizeof tips / sizeof *tips; i++) {
        const char *name = lever_rows[tips[i].item].name;
        const struct lever_record *r = lever_file_find(file, name);
        if (!is_from_file(out, tips[i].item, name, file) || recipe->v[tips[i].u].given ||
            isnan(r->per_spring_constant) || isnan(r->u_besides) ||
            !(fabs(r->correlated_value - k->value) <= 1e-6 * fabs(k->value)))
            continue;
        const char *s = "deflection_sensitivity";
        bool with_s = is_from_file(out, LEVER_deflection_sensitivity, s, file);
        out->tip_item = tips[i].item;
        out->tip_by_spring = r->per_spring_constant;
        out->tip_by_sensitivity = with_s && !isnan(r->per_sensitivity) ? r->per_sensitivity : 0;
        out->tip_u = r->u_besides;
    }
}

/* --- merging --- */

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

static enum status settle_all(const struct recipe *recipe, const struct lever *held,
                              struct lever *out, struct report *rep)
{
    out->thickness_by_pixel = held->thickness_by_pixel;
    out->substrate_marked = held->substrate_marked;
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct lever_row *row = &lever_rows[i];
        const struct recipe_value *value = &recipe->v[keys[i].value], *u = &recipe->v[keys[i].u];
        struct known *k = &out->item[i];
        *k = settle_one(value, u, &held->item[i]);
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

enum status lever_settle(const struct recipe *recipe, const struct lever *from_volume,
                         struct lever *out, struct report *rep)
{
    struct lever held = *from_volume;
    struct lever_file *file = malloc(sizeof *file);
    if (!file) return fail(rep, ST_MEMORY, "no memory for a lever file");
    enum status st = read_lever_file(recipe, &held, file, rep);
    if (st == ST_OK) st = settle_all(recipe, &held, out, rep);
    if (st == ST_OK) settle_pair(recipe, file, from_volume, out);
    if (st == ST_OK) settle_tip(recipe, file, out);
    free(file);
    return st;
}
