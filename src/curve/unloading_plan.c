#include "curve/unloading_plan.h"

#include <math.h>
#include <string.h>

static const struct {
    enum recipe_key key;
    double low, high;
} ranges[] = {{KEY_unloading_from, 0.0, 1.0},
              {KEY_unloading_to, 0.0, 1.0},
              {KEY_unloading_zero_to, 0.05, 1.0},
              {KEY_unloading_epsilon, 0.5, 1.5},
              {KEY_unloading_beta, 0.8, 1.3}};

static enum status check_ranges(const struct recipe *recipe, struct report *rep)
{
    for (size_t i = 0; i < sizeof ranges / sizeof *ranges; i++) {
        const struct recipe_value *v = &recipe->v[ranges[i].key];
        if (v->si >= ranges[i].low && v->si <= ranges[i].high) continue;
        return fail(rep, ST_RECIPE, "line %d: unloading.%s: '%s' must lie between %g and %g",
                    v->line, recipe_rows[ranges[i].key].key, v->text, ranges[i].low,
                    ranges[i].high);
    }
    return ST_OK;
}

static bool known(const struct curve_plan *plan, enum lever_item item)
{
    return isfinite(plan->lever.item[item].value);
}

static bool function_known(const struct curve_plan *plan)
{
    return known(plan, LEVER_tip_area_quadratic) || known(plan, LEVER_tip_area_linear);
}

/* What else a shape reads; LEVER_COUNT: nothing. */
static enum lever_item item_of(enum area_shape shape)
{
    switch (shape) {
    case AREA_function:
        return LEVER_tip_area_quadratic;
    case AREA_paraboloid:
    case AREA_sphere:
        return LEVER_tip_radius;
    case AREA_cone:
        return LEVER_tip_half_angle;
    case AREA_pyramid:
        return LEVER_tip_face_angle;
    case AREA_berkovich:
    case AREA_COUNT:
        break;
    }
    return LEVER_COUNT;
}

static enum area_shape shape_of_model(const struct curve_plan *plan)
{
    if (function_known(plan)) return AREA_function;
    if (plan->model->needs >> LEVER_tip_half_angle & 1) return AREA_cone;
    if (plan->model->needs >> LEVER_tip_face_angle & 1) return AREA_pyramid;
    if (plan->model->needs >> LEVER_tip_radius & 1) return AREA_paraboloid;
    return AREA_function;
}

static enum status check_area(const struct curve_plan *plan, struct report *rep)
{
    enum area_shape shape = plan->unloading.law.area.shape;
    enum lever_item item = item_of(shape);
    if (shape == AREA_function ? function_known(plan) : item == LEVER_COUNT || known(plan, item))
        return ST_OK;
    return fail(rep, ST_RECIPE,
                "unloading.analysis needs the area of the tip over its contact depth, but the %s "
                "is not known; give %s.%s, or another unloading.area (docs/unloading.md)",
                lever_rows[item].words, lever_rows[item].section, lever_rows[item].name);
}

/* A value that only the analysis reads, given without it: the user believes it counts. A default
 * that is spelled out does no harm: `cantle recipe` writes all of them. */
static enum status check_unused(const struct recipe *recipe, struct report *rep)
{
    static const enum recipe_key keys[] = {KEY_unloading_from,         KEY_unloading_to,
                                           KEY_unloading_zero_to,      KEY_unloading_area,
                                           KEY_unloading_epsilon,      KEY_unloading_beta,
                                           KEY_tip_tip_area_quadratic, KEY_tip_tip_area_linear,
                                           KEY_tip_tip_area_constant,  KEY_tip_tip_area_factor};
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (recipe->v[keys[i]].given &&
            strcmp(recipe->v[keys[i]].text, recipe_rows[keys[i]].standard) != 0)
            return fail(rep, ST_RECIPE,
                        "line %d: %s.%s is given, but unloading.analysis is none; remove the line, "
                        "or write unloading.analysis: power_law",
                        recipe->v[keys[i]].line, recipe_rows[keys[i]].section,
                        recipe_rows[keys[i]].key);
    return ST_OK;
}

enum status unloading_plan_make(const struct recipe *recipe, const bool there[SEG_COUNT],
                                struct curve_plan *out, struct report *rep)
{
    int area = recipe->v[KEY_unloading_area].choice; /* auto, then the shapes in their order */
    out->extent.analysis[ANALYSIS_unloading] = recipe->v[KEY_unloading_analysis].choice == 1;
    if (!out->extent.analysis[ANALYSIS_unloading]) return check_unused(recipe, rep);
    enum status st = check_ranges(recipe, rep);
    if (st != ST_OK) return st;
    if (!there[SEG_APPROACH] || !there[SEG_RETRACT])
        return fail(rep, ST_RECIPE,
                    "line %d: unloading.analysis: it needs approach and retract, but the volume "
                    "has no %s",
                    recipe->v[KEY_unloading_analysis].line,
                    there[SEG_APPROACH] ? "retract" : "approach");
    out->unloading.from = recipe->v[KEY_unloading_from].si;
    out->unloading.to = recipe->v[KEY_unloading_to].si;
    out->unloading.zero_to = recipe->v[KEY_unloading_zero_to].si;
    out->unloading.law.epsilon = recipe->v[KEY_unloading_epsilon].si;
    out->unloading.law.beta = recipe->v[KEY_unloading_beta].si;
    out->unloading.law.area.shape = area ? (enum area_shape)(area - 1) : shape_of_model(out);
    return check_area(out, rep);
}

static double or_else(double value, double otherwise)
{
    return isfinite(value) ? value : otherwise;
}

void unloading_plan_renew(struct curve_plan *plan)
{
    const struct known *item = plan->lever.item;
    struct area_function *f = &plan->unloading.law.area;
    f->radius_m = item[LEVER_tip_radius].value;
    f->half_angle_rad = item[LEVER_tip_half_angle].value;
    f->face_angle_rad = item[LEVER_tip_face_angle].value;
    f->quadratic = or_else(item[LEVER_tip_area_quadratic].value, 0.0);
    f->linear_m = or_else(item[LEVER_tip_area_linear].value, 0.0);
    f->constant_m2 = or_else(item[LEVER_tip_area_constant].value, 0.0);
    f->factor = or_else(item[LEVER_tip_area_factor].value, 1.0);
}
