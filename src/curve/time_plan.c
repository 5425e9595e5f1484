/* The recipe's section "viscoelastic". */
#include "curve/in_time.h"

#include <math.h>
#include <string.h>

static double power_of_model(const char *name)
{
    static const struct {
        const char *model;
        double power;
    } laws[] = {{"flat_punch", 1}, {"paraboloid", 1.5}, {"cone", 2}, {"pyramid", 2}};
    for (size_t i = 0; i < sizeof laws / sizeof *laws; i++)
        if (strcmp(name, laws[i].model) == 0) return laws[i].power;
    return 0;
}

static enum status choose_segments(const struct recipe_value *asked, const bool there[SEG_COUNT],
                                   bool use[SEG_COUNT], struct report *rep)
{
    static const char *const names[SEG_COUNT] = {"approach", "dwell", "retract"};
    /* in the order of the recipe's words, but for auto: approach, dwell, retract */
    static const bool uses[][SEG_COUNT] = {{1, 0, 0}, {1, 1, 0}, {1, 0, 1}, {1, 1, 1}, {0, 1, 0}};
    for (int s = 0; s < SEG_COUNT; s++) {
        use[s] = asked->choice == 0 ? there[s] : uses[asked->choice - 1][s];
        if (use[s] && !there[s])
            return fail(rep, ST_RECIPE,
                        "line %d: viscoelastic.segments is %s, but the volume has no %s; write "
                        "auto, or name segments that are there",
                        asked->line, asked->text, names[s]);
    }
    return ST_OK;
}

/* A key of a fit that is not made: the user believes it counts. A recipe with all keys and their
 * defaults, as the program writes it, is fine. */
static enum status check_unused(const struct recipe *r, struct report *rep)
{
    static const enum recipe_key keys[] = {KEY_viscoelastic_segments,
                                           KEY_viscoelastic_reference_time, KEY_viscoelastic_drag};
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        if (r->v[keys[i]].given && strcmp(r->v[keys[i]].text, recipe_rows[keys[i]].standard) != 0)
            return fail(rep, ST_RECIPE,
                        "line %d: viscoelastic.%s is given, but viscoelastic.model is none; remove "
                        "the line, or write model: power_law or standard_linear_solid",
                        r->v[keys[i]].line, recipe_rows[keys[i]].key);
    return ST_OK;
}

enum status time_plan(const struct recipe *recipe, const bool there[SEG_COUNT],
                      struct curve_plan *out, struct report *rep)
{
    struct time_plan *plan = &out->time;
    bool *made = out->extent.analysis;
    int extra = recipe->v[KEY_viscoelastic_drag_and_dwell].choice; /* auto no yes */
    plan->law = recipe->v[KEY_viscoelastic_model].choice;
    plan->drag = recipe->v[KEY_viscoelastic_drag].choice == 0;
    plan->reference_s = recipe->v[KEY_viscoelastic_reference_time].si;
    plan->power = power_of_model(out->model->name);
    made[ANALYSIS_cycle] = recipe->v[KEY_viscoelastic_loss_tangent].choice == 1;
    made[ANALYSIS_viscoelastic] = plan->law != 0;
    made[ANALYSIS_power_law] = plan->law == 1;
    made[ANALYSIS_linear_solid] = plan->law == 2;
    bool any = plan->law || made[ANALYSIS_cycle];
    made[ANALYSIS_in_time] = extra == 2 || (extra == 0 && any);
    if (any && !(plan->power > 0))
        return fail(rep, ST_RECIPE,
                    "viscoelastic: Ting's solution is for a tip whose force is a power of the "
                    "indentation, and the contact model is '%s'; write contact.model: paraboloid, "
                    "cone, pyramid or flat_punch",
                    out->model->name);
    if (made[ANALYSIS_cycle] && !there[SEG_RETRACT])
        return fail(rep, ST_RECIPE,
                    "line %d: viscoelastic.loss_tangent needs a retract, and the volume has none",
                    recipe->v[KEY_viscoelastic_loss_tangent].line);
    if (!plan->law) return check_unused(recipe, rep);
    if (!(plan->reference_s > 0))
        return fail(rep, ST_RECIPE, "line %d: viscoelastic.reference_time must be larger than zero",
                    recipe->v[KEY_viscoelastic_reference_time].line);
    return choose_segments(&recipe->v[KEY_viscoelastic_segments], there, plan->use, rep);
}
