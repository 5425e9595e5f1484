/* What will be done with every curve, made once: recipe and calibration into one struct. */
#include "curve/brush_maps.h"
#include "curve/budget.h"
#include "curve/curve.h"
#include "curve/depth.h"
#include "curve/in_time.h"
#include "curve/lateral.h"
#include "curve/tethers.h"
#include "curve/unloading_plan.h"

#include <math.h>
#include <string.h>

static double si(const struct recipe *r, enum recipe_key key)
{
    return r->v[key].set ? r->v[key].si : NAN;
}

static const struct known *need(const struct lever *lever, enum lever_item item)
{
    if (item == LEVER_sample_thickness && lever->thickness_by_pixel) return &lever->item[item];
    return isfinite(lever->item[item].value) ? &lever->item[item] : NULL;
}

static enum status missing(enum lever_item item, const char *why, struct report *rep)
{
    const struct lever_row *row = &lever_rows[item];
    return fail(
        rep, ST_RECIPE,
        "%s is not known, but %s; give it in the recipe as %s.%s (a number with a unit like "
        "%s), or in the volume as /calibration/%s",
        row->words, why, row->section, row->name, row->si_unit, row->name);
}

static enum status choose_segment(const struct recipe *recipe, const bool there[SEG_COUNT],
                                  struct curve_plan *out, struct report *rep)
{
    int asked = recipe->v[KEY_contact_segment].choice; /* 0 auto, 1 approach, 2 retract */
    unsigned can = out->model->segments;
    if (asked == 0)
        out->segment = can & SEGMENT_APPROACH ? SEG_APPROACH : SEG_RETRACT;
    else
        out->segment = asked == 1 ? SEG_APPROACH : SEG_RETRACT;
    const char *word = out->segment == SEG_APPROACH ? "approach" : "retract";
    if (!(can & (out->segment == SEG_APPROACH ? SEGMENT_APPROACH : SEGMENT_RETRACT)))
        return fail(rep, ST_RECIPE,
                    "contact.segment is %s, but the model '%s' describes the other segment only; "
                    "write contact.segment: auto, or choose another contact.model",
                    word, out->model->name);
    if (!there[out->segment])
        return fail(rep, ST_RECIPE,
                    "the model '%s' is to be fitted to the %s segment, but the volume has none",
                    out->model->name, word);
    return ST_OK;
}

/* What the signal's stage and the model cannot do without. */
static enum status check_needs(const enum signal_stage stages[SEG_COUNT],
                               const bool there[SEG_COUNT], struct curve_plan *out,
                               struct report *rep)
{
    const struct lever *lever = &out->lever;
    for (int s = 0; s < SEG_COUNT; s++) {
        if (!there[s]) continue;
        if (stages[s] == STAGE_DETECTOR && !need(lever, LEVER_deflection_sensitivity))
            return missing(LEVER_deflection_sensitivity, "the volume holds detector volts", rep);
        if (stages[s] == STAGE_QUADRANTS && !need(lever, LEVER_quadrant_sensitivity))
            return missing(LEVER_quadrant_sensitivity, "the volume holds quadrant signals", rep);
    }
    if (!need(lever, LEVER_spring_constant))
        return missing(LEVER_spring_constant, "deflection becomes force by it", rep);
    for (int i = 0; i < LEVER_COUNT; i++)
        if (i == LEVER_sample_thickness && out->thickness_from_substrate)
            continue;
        else if (out->model->needs >> i & 1 && !need(lever, (enum lever_item)i)) {
            char why[128];
            snprintf(why, sizeof why, "the contact model '%s' needs it", out->model->name);
            return missing((enum lever_item)i, why, rep);
        }
    if (out->work_from != 3 && out->work_from != 0 && !need(lever, LEVER_tip_radius))
        return missing(LEVER_tip_radius, "adhesion.work_from needs it", rep);
    return ST_OK;
}

/* The spring constant in use. It is made from the given one each time, so that the correction is
 * never applied to itself. */
static enum status correct_for_tilt(const struct curve_plan *plan, double *k, struct report *rep)
{
    static const enum lever_item tip[] = {LEVER_tip_height, LEVER_lever_length};
    const char *why = "calibration.tilt_correction asks for it";
    const struct known *item = plan->lever.item;
    *k = item[LEVER_spring_constant].value;
    if (plan->tilt == TILT_NONE || plan->tilt == TILT_CONTAINED) return ST_OK;
    if (plan->lever.spring_tilt == SPRING_TILT_CONTAINED)
        return fail(rep, ST_RECIPE,
                    "the spring constant of the lever file contains the tilt already, so "
                    "calibration.tilt_correction would apply it twice; write 'contained'");
    if (!need(&plan->lever, LEVER_tilt)) return missing(LEVER_tilt, why, rep);
    for (int i = 0; i < 2 && tilt_needs_tip(plan->tilt); i++)
        if (!need(&plan->lever, tip[i])) return missing(tip[i], why, rep);
    double factor = tilt_factor(plan->tilt, item[LEVER_tilt].value, item[LEVER_tip_height].value,
                                item[LEVER_lever_length].value);
    if (isnan(factor))
        return fail(rep, ST_RECIPE,
                    "calibration.tilt_correction: its formula has no positive value for a tilt of "
                    "%.3g degree and a tip of %.3g of the lever's length; check calibration.tilt, "
                    "calibration.lever_length and tip.tip_height",
                    item[LEVER_tilt].value * 180 / acos(-1),
                    item[LEVER_tip_height].value / item[LEVER_lever_length].value);
    *k *= factor;
    return ST_OK;
}

enum status curve_plan_renew(struct curve_plan *plan, struct report *rep)
{
    const struct known *item = plan->lever.item;
    double k;
    enum status st = correct_for_tilt(plan, &k, rep);
    if (st != ST_OK) return st;
    plan->setup = (struct contact_setup){
        .spring_n_per_m = k,
        .radius_m = item[LEVER_tip_radius].value,
        .half_angle_rad = item[LEVER_tip_half_angle].value,
        .face_angle_rad = item[LEVER_tip_face_angle].value,
        .profile_exponent = item[LEVER_tip_profile_exponent].value,
        .cap_radius_m = item[LEVER_tip_cap_radius].value,
        .thickness_m = item[LEVER_sample_thickness].value,
        .transition = plan->model->may_use & NEEDS(maugis_parameter)
                          ? item[LEVER_maugis_parameter].value
                          : (double)NAN,
        .brush_density_per_m2 = item[LEVER_grafting_density].value,
        .sliding_base = plan->setup.sliding_base,
        .poisson_ratio = item[LEVER_poisson_ratio].value,
        .layer = plan->setup.layer,
    };
    unloading_plan_renew(plan);
    plan->free_extra = plan->model->has_extra && isnan(plan->setup.transition);
    plan->poisson_ratio = item[LEVER_poisson_ratio].value;
    if (contact_is_prepared(plan->model, &plan->setup)) return ST_OK;
    return contact_prepare(plan->model, &plan->setup, rep);
}

static void copy_limits(const struct recipe *r, struct curve_plan *out)
{
    out->limit.missing = si(r, KEY_limits_missing);
    out->limit.baseline_slope = si(r, KEY_limits_baseline_slope);
    out->limit.force_noise_n = si(r, KEY_limits_force_noise);
    out->limit.peak_force_n = si(r, KEY_limits_peak_force);
    out->limit.snap_in = si(r, KEY_limits_snap_in);
    out->limit.depth_to_radius = si(r, KEY_limits_depth_to_radius);
    out->limit.depth_to_uncertainty = si(r, KEY_limits_depth_to_uncertainty);
    out->limit.modulus_error = si(r, KEY_limits_modulus_error);
    out->limit.stiffness_low = si(r, KEY_limits_stiffness_ratio_low);
    out->limit.stiffness_high = si(r, KEY_limits_stiffness_ratio_high);
    out->limit.stiffness_force_space = si(r, KEY_limits_stiffness_ratio_force_space);
    out->limit.residual = si(r, KEY_limits_residual);
    out->limit.depth_change = si(r, KEY_limits_depth_change);
    out->limit.reduced_chi_square = si(r, KEY_limits_reduced_chi_square);
    out->limit.residual_runs = si(r, KEY_limits_residual_runs);
    out->limit.pressure_pa = si(r, KEY_limits_pressure);
    out->limit.contact_to_pitch = si(r, KEY_limits_contact_to_pitch);
    out->limit.tabor_dmt = si(r, KEY_limits_tabor_dmt);
    out->limit.tabor_jkr = si(r, KEY_limits_tabor_jkr);
    out->limit.layer_ratio = si(r, KEY_limits_layer_ratio);
    out->limit.layer_ratio_halfspace = si(r, KEY_limits_layer_ratio_halfspace);
    if (isnan(out->limit.layer_ratio)) out->limit.layer_ratio = out->model->layer_limit;
    out->limit.surface_slope_rad = si(r, KEY_limits_surface_slope);
    out->limit.residual_depth = si(r, KEY_limits_residual_depth);
    out->limit.unloading_adhesion = si(r, KEY_limits_unloading_adhesion);
    out->limit.tip_change = si(r, KEY_limits_tip_change);
    out->limit.loop_adhesion = si(r, KEY_limits_loop_adhesion);
    out->limit.modulus_low_pa = si(r, KEY_limits_modulus_low);
    out->limit.modulus_high_pa = si(r, KEY_limits_modulus_high);
}

/* Thickness by the height above the substrate: where that is, and nothing that says otherwise. */
static enum status choose_substrate(const struct recipe *r, struct curve_plan *out,
                                    struct report *rep)
{
    static const enum recipe_key sides[] = {KEY_sample_substrate_x_from, KEY_sample_substrate_x_to,
                                            KEY_sample_substrate_y_from, KEY_sample_substrate_y_to};
    struct substrate_box *box = &out->substrate_box;
    double *at[] = {&box->x_from, &box->x_to, &box->y_from, &box->y_to};
    const struct recipe_value *number = &r->v[KEY_sample_sample_thickness];
    out->thickness_from_substrate = r->v[KEY_sample_thickness_from].choice == 1;
    for (int i = 0; i < 4; i++) {
        const struct recipe_value *v = &r->v[sides[i]];
        *at[i] = v->given ? v->si : i % 2 ? INFINITY : -INFINITY;
        if (v->given) box->given = true;
        if (v->given && !out->thickness_from_substrate)
            return fail(rep, ST_RECIPE,
                        "line %d: sample.%s is given, but sample.thickness_from is not substrate; "
                        "remove the line, or write thickness_from: substrate",
                        v->line, recipe_rows[sides[i]].key);
    }
    if (!out->thickness_from_substrate) return ST_OK;
    if (number->given)
        return fail(rep, ST_RECIPE,
                    "line %d: sample.sample_thickness is given, but sample.thickness_from is "
                    "substrate; remove one of them",
                    number->line);
    if (!box->given && !out->lever.substrate_marked)
        return fail(rep, ST_RECIPE,
                    "sample.thickness_from is substrate, but nothing says where the substrate is "
                    "bare; give a rectangle (sample.substrate_x_from, substrate_x_to, "
                    "substrate_y_from, substrate_y_to), or mark the pixels in the volume as "
                    "/grid/substrate");
    out->lever.thickness_by_pixel = false;
    out->lever.item[LEVER_sample_thickness] = (struct known){NAN, NAN, ""};
    return ST_OK;
}

size_t curve_plan_unknowns(const struct curve_plan *plan)
{
    const struct contact_model *m = plan->model;
    size_t searched = 1u + (m->free_length ? 1u : 0u) + (m->free_kappa ? 1u : 0u) +
                      (plan->free_extra ? 1u : 0u);
    return searched + 1u + (plan->baseline_order ? 1u : 0u) + (m->pull ? 1u : 0u);
}

void curve_plan_free(struct curve_plan *plan)
{
    contact_release(&plan->setup);
}

/* Likewise what only some corrections read. */
static enum status check_tilt_unused(const struct recipe *recipe, struct report *rep)
{
    static const enum recipe_key rows[] = {KEY_tip_tip_height, KEY_calibration_lever_length};
    const struct recipe_value *asked = &recipe->v[KEY_calibration_tilt_correction];
    if (tilt_needs_tip((enum tilt_correction)asked->choice)) return ST_OK;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        if (recipe->v[rows[i]].given &&
            !(rows[i] == KEY_tip_tip_height && recipe->v[KEY_lateral_torsional_constant].given))
            return fail(rep, ST_RECIPE,
                        "line %d: %s.%s is given, but calibration.tilt_correction is %s and does "
                        "not use it; remove the line, or write heim, hutter or beam",
                        recipe->v[rows[i]].line, recipe_rows[rows[i]].section,
                        recipe_rows[rows[i]].key, asked->text);
    return ST_OK;
}

/* Drift is reckoned with where the residuals are noise, and noise with a memory is looked for. */
static enum status check_drift(const struct recipe *recipe, const struct curve_plan *plan,
                               struct report *rep)
{
    const struct recipe_value *v = &recipe->v[KEY_contact_drift];
    if (!v->given) return ST_OK;
    if (v->si < 0)
        return fail(rep, ST_RECIPE, "line %d: contact.drift: '%s': an rms cannot be negative",
                    v->line, v->text);
    if (plan->coloured_noise && !plan->force_space) return ST_OK;
    return fail(rep, ST_RECIPE,
                "line %d: contact.drift is given, but contact.%s does not use it; remove one of "
                "the lines",
                v->line, plan->force_space ? "fit_space: force" : "noise: white");
}

/* A value that only some models read, given for a model that does not: the user believes it counts.
 */
static enum status check_unused(const struct recipe *recipe, const struct contact_model *m,
                                struct report *rep)
{
    static const struct {
        enum lever_item item;
        enum recipe_key key;
    } rows[] = {{LEVER_tip_profile_exponent, KEY_tip_tip_profile_exponent},
                {LEVER_tip_cap_radius, KEY_tip_tip_cap_radius},
                {LEVER_maugis_parameter, KEY_sample_maugis_parameter},
                {LEVER_grafting_density, KEY_sample_grafting_density}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        if (recipe->v[rows[i].key].given && !((m->needs | m->may_use) >> rows[i].item & 1))
            return fail(
                rep, ST_RECIPE,
                "line %d: %s.%s is given, but the contact model '%s' does not use it; remove "
                "the line or choose another contact.model (`cantle manual models`)",
                recipe->v[rows[i].key].line, lever_rows[rows[i].item].section,
                lever_rows[rows[i].item].name, m->name);
    return ST_OK;
}

enum status curve_plan_make(const struct recipe *recipe, const struct lever *from_volume,
                            const enum signal_stage stages[SEG_COUNT], const bool there[SEG_COUNT],
                            struct curve_plan *out, struct report *rep)
{
    *out = (struct curve_plan){.model = contact_at(recipe->v[KEY_contact_model].choice)};
    map_extent_clear(&out->extent);
    enum status st = lever_settle(recipe, from_volume, &out->lever, rep);
    if (st != ST_OK) return st;
    out->pixel_pitch_m = NAN;
    out->force_space = recipe->v[KEY_contact_fit_space].choice == 1;
    out->coloured_noise = recipe->v[KEY_contact_noise].choice == 0;
    out->drift_m = si(recipe, KEY_contact_drift);
    out->drift_from_volume = !recipe->v[KEY_contact_drift].set && out->coloured_noise &&
                             !out->force_space && recipe->v[KEY_contact_drift_from].choice == 0;
    out->two_depths = recipe->v[KEY_contact_two_depths].choice == 0;
    out->extent.analysis[ANALYSIS_shallow] = out->two_depths;
    out->baseline_order = recipe->v[KEY_baseline_order].choice == 0;
    out->shortest_baseline = si(recipe, KEY_baseline_shortest);
    out->from = si(recipe, KEY_contact_from);
    out->from_is = recipe->v[KEY_contact_from].range;
    out->to = si(recipe, KEY_contact_to);
    out->to_is = recipe->v[KEY_contact_to].range;
    out->work_from = recipe->v[KEY_adhesion_work_from].choice;
    out->setup.sliding_base = recipe->v[KEY_sample_base].choice == 1;
    out->tilt = (enum tilt_correction)recipe->v[KEY_calibration_tilt_correction].choice;
    out->spring_from = recipe->v[KEY_calibration_spring_constant_from].choice;
    out->spring_from_given = recipe->v[KEY_calibration_spring_constant_from].given;
    if (!out->spring_from_given && out->lever.spring_thermal) out->spring_from = SPRING_THERMAL;
    out->draws = (size_t)recipe->v[KEY_calibration_monte_carlo_draws].si;
    out->separation_m = si(recipe, KEY_sample_equilibrium_separation);
    copy_limits(recipe, out);
    if (!(out->limit.tip_change >= 0 && out->limit.tip_change < 1))
        return fail(rep, ST_RECIPE,
                    "line %d: limits.tip_change: '%s' is not a share from 0 to below 1",
                    recipe->v[KEY_limits_tip_change].line, recipe->v[KEY_limits_tip_change].text);
    st = choose_substrate(recipe, out, rep);
    if (st == ST_OK) st = choose_segment(recipe, there, out, rep);
    if (st == ST_OK) st = check_needs(stages, there, out, rep);
    if (st == ST_OK) st = unloading_plan_make(recipe, there, out, rep);
    if (st == ST_OK) st = check_unused(recipe, out->model, rep);
    if (st == ST_OK) st = check_drift(recipe, out, rep);
    if (st == ST_OK) st = check_tilt_unused(recipe, rep);
    brush_plan(out);
    if (st == ST_OK) st = depth_plan(recipe, out, rep);
    if (st == ST_OK) st = tethers_plan(recipe, out, rep);
    if (st == ST_OK) st = lateral_plan(recipe, out, rep);
    if (st == ST_OK) st = time_plan(recipe, there, out, rep);
    if (st == ST_OK) st = curve_plan_renew(out, rep);
    return st;
}
