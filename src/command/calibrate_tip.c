/* The tip from a sample of known modulus, and whether it has worn. */
#include "command/calibrate_tip.h"
#include "base/units.h"
#include "command/calibrate.h"
#include "command/calibrate_pixels.h"
#include "command/describe.h"
#include "curve/tip.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct tips {
    const struct calibrate_wish *wish;
    struct recipe recipe;
    bool has_recipe;
    struct curve_plan plan;
    struct curve_work *work;
    enum lever_item item;
    struct tip_curve *curve;   /* [n] */
    struct pixel_place *place; /* [n] */
    double *scratch;           /* [n] */
    size_t n;
    struct tip_summary sum;
    struct lever_record earlier; /* where one was asked for */
};

/* --- recipe and plan --- */

enum status calibrate_tip_recipe(const struct calibrate_wish *w, const struct lever_file *file,
                                 struct recipe *out, bool *made, struct report *rep)
{
    enum status st = w->recipe ? recipe_load(out, w->recipe, rep) : recipe_default(out, rep);
    *made = st == ST_OK;
    struct recipe_value *key = &out->v[KEY_calibration_lever_file];
    size_t size;
    if (st != ST_OK || key->set || file->n == 0) return st;
    st = lever_file_text(file, &out->lever_text, &size, rep);
    key->set = st == ST_OK;
    snprintf(key->text, sizeof key->text, "%.127s", w->lever);
    return st;
}

static enum status make_plan(struct tips *t, const struct volume_facts *f, struct report *rep)
{
    enum signal_stage stages[SEG_COUNT];
    bool there[SEG_COUNT];
    struct lever lever = f->lever;
    const struct contact_model *model = contact_at(t->recipe.v[KEY_contact_model].choice);
    for (int s = 0; s < SEG_COUNT; s++) {
        stages[s] = f->seg[s].stage;
        there[s] = f->seg[s].there;
    }
    t->item = tip_item(model);
    if (t->item == LEVER_COUNT)
        return fail(rep, ST_RECIPE, "the contact model '%s' reads no tip radius or angle",
                    model->name);
    /* somewhere to begin; a value of recipe, lever file or volume is nearer */
    if (isnan(lever.item[t->item].value))
        lever.item[t->item] = (struct known){t->item == LEVER_tip_radius ? 1e-7 : 0.35, NAN,
                                             "start"};
    return curve_plan_make(&t->recipe, &lever, stages, there, &t->plan, rep);
}

static enum status prepare(struct tips *t, const struct lever_file *file, struct pixels *p,
                           struct report *rep)
{
    const struct volume_facts *f = volume_facts(p->volume);
    size_t longest = 1, pixels = f->nx * f->ny;
    for (int s = 0; s < SEG_COUNT; s++)
        if (f->seg[s].there && f->seg[s].n > longest) longest = f->seg[s].n;
    enum status st = calibrate_tip_recipe(t->wish, file, &t->recipe, &t->has_recipe, rep);
    if (st == ST_OK) st = make_plan(t, f, rep);
    if (st != ST_OK) return st;
    t->work = curve_work_new(longest);
    t->curve = malloc(pixels * sizeof *t->curve);
    t->place = malloc(pixels * sizeof *t->place);
    t->scratch = malloc(pixels * sizeof *t->scratch);
    return t->work && t->curve && t->place && t->scratch
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory for %zu curves", pixels);
}

static enum status take_curve(void *context, struct pixel_place at, const struct raw_curve *raw,
                              struct report *rep)
{
    struct tips *t = context;
    t->place[t->n] = at;
    return tip_of_curve(&t->plan, raw, t->work, t->item, t->wish->modulus.value, &t->curve[t->n++],
                        rep);
}

/* --- combining: at the curve that is nearest to the result --- */

static size_t nearest(const struct tips *t)
{
    size_t best = 0;
    double least = INFINITY;
    for (size_t i = 0; i < t->n; i++) {
        double off = fabs(t->curve[i].value - t->sum.value);
        if (t->curve[i].there && off < least) least = off, best = i;
    }
    return best;
}

static enum status combine(struct tips *t, struct pixels *p, struct report *rep)
{
    struct raw_curve raw;
    struct known reference = {t->wish->modulus.value, t->wish->modulus.u, ""};
    tip_sum(t->curve, t->n, t->wish->outlier, t->scratch, &t->sum);
    if (t->sum.curves == 0)
        return fail(rep, ST_INPUT,
                    "no curve gives a %s: all are rejected by the recipe's limits, or the modulus "
                    "is far off; `cantle map` with a guessed tip says why",
                    lever_rows[t->item].words);
    enum status st = pixels_one(p, t->place[nearest(t)], &raw, rep);
    if (st != ST_OK) return st;
    t->plan.lever.item[t->item].value = t->sum.value;
    t->plan.lever.tip_item = LEVER_COUNT; /* of an earlier tip, if there was one */
    st = curve_plan_renew(&t->plan, rep);
    const struct budget_job job = {.plan = &t->plan, .curve = &raw, .work = t->work};
    return st == ST_OK ? tip_combine(&job, t->item, BUDGET_modulus, &reference, &t->sum, rep) : st;
}

/* --- telling --- */

void calibrate_tip_parts(const struct tip_summary *s, struct calibrate_report *r)
{
    json_t *parts = json_object();
    json_object_set_new(parts, "repeats", json_real(s->u_random));
    json_object_set_new(parts, "reference_modulus", describe_real(s->part_reference));
    if (r->text)
        describe_line("", "from: repeats %.2g %%, reference modulus %.2g %%",
                      100 * s->u_random / s->value, 100 * s->part_reference / s->value);
    for (size_t i = 0; i < s->budget.n; i++) {
        const struct lever_row *row = &lever_rows[s->budget.input[i].item];
        if (s->part[i] == 0) continue;
        json_object_set_new(parts, row->name, describe_real(s->part[i]));
        if (!r->text) continue;
        if (isnan(s->part[i]))
            describe_line("", "      %s: uncertainty not stated", row->words);
        else
            describe_line("", "      %s %.2g %%", row->words, 100 * s->part[i] / s->value);
    }
    json_object_set_new(r->json, "parts", parts);
}

static void tell(const struct tips *t, struct calibrate_report *r)
{
    const struct tip_summary *s = &t->sum;
    const struct lever_row *row = &lever_rows[t->item];
    char text[160];
    describe_known(s->value, s->u, row->si_unit, text, sizeof text);
    json_object_set_new(r->json, row->name,
                        json_pack("{s:f, s:f, s:f, s:f, s:s, s:b, s:I, s:I, s:o, s:f, s:s}",
                                  "value", s->value, "u", s->u, "u_random", s->u_random,
                                  "u_besides", s->u_besides, "unit", row->si_unit, "complete",
                                  s->complete, "curves", (json_int_t)s->curves, "outliers",
                                  (json_int_t)s->outliers, "scatter", describe_real(s->scatter),
                                  "fit_only", s->fit_u, "model", t->plan.model->name));
    if (r->text) {
        describe_line(t->item == LEVER_tip_radius ? "tip radius" : "tip angle", "%s%s", text,
                      s->complete ? "" : ", at least");
        describe_line("",
                      "%s, over %zu of %zu curves; scatter %.2g %%, the fits alone would say "
                      "%.2g %%; %zu far from the others left out",
                      t->plan.model->name, s->curves, t->n, 100 * s->scatter / s->value,
                      100 * s->fit_u / s->value, s->outliers);
    }
    calibrate_tip_parts(s, r);
    calibrate_judge(r, row->name, s->value);
    if (!s->complete)
        calibrate_caution(r, "an input has no uncertainty: what is told is the least");
    if (2 * s->curves < t->n) calibrate_caution(r, "more than half of the curves cannot be used");
}

static enum status load_earlier(struct tips *t, struct report *rep)
{
    const char *name = lever_rows[t->item].name;
    struct lever_file *file = malloc(sizeof *file);
    if (!file) return fail(rep, ST_MEMORY, "not enough memory for a lever file");
    enum status st = lever_file_load(file, t->wish->earlier, rep);
    const struct lever_record *old = st == ST_OK ? lever_file_find(file, name) : NULL;
    if (st == ST_OK && !old) st = fail(rep, ST_INPUT, "%s: holds no %s", t->wish->earlier, name);
    if (old) t->earlier = *old;
    free(file);
    return st;
}

void calibrate_tip_wear(const struct tip_wear *w, struct calibrate_report *r)
{
    double change = w->value - w->earlier, apart = hypot(w->u, w->earlier_u);
    double shared = hypot(w->u_random, w->earlier_u_random);
    bool same = isfinite(w->earlier_u_random);
    double u = same ? shared : apart;
    bool worn = fabs(change) > 2 * u;
    json_object_set_new(r->json, "wear",
                        json_pack("{s:f, s:f, s:o, s:o, s:b}", "earlier", w->earlier, "change",
                                  change, "u_same_reference", describe_real(shared),
                                  "u_independent", describe_real(apart), "changed", worn));
    if (!r->text) return;
    describe_line("wear", "%+.2g %% since %s, standard uncertainty %.2g %%%s: %s",
                  100 * change / w->earlier, *w->date ? w->date : "the earlier value",
                  100 * u / w->earlier,
                  same ? " if reference sample and lever calibration are the same" : "",
                  worn ? "THE TIP HAS CHANGED" : "no change is seen");
    if (same)
        describe_line("", "standard uncertainty %.2g %% if nothing is in common",
                      100 * apart / w->earlier);
}

static void tell_wear(const struct tips *t, struct calibrate_report *r)
{
    const struct lever_record *old = &t->earlier;
    const struct tip_wear wear = {t->sum.value, t->sum.u,      t->sum.u_random, old->value,
                                  old->u,       old->u_random, old->text.date};
    calibrate_tip_wear(&wear, r);
}

static enum status keep(const struct tips *t, struct lever_file *file, const struct pixels *p,
                        struct report *rep)
{
    struct lever_record record = lever_record_make(lever_rows[t->item].name, t->sum.value,
                                                   t->sum.u);
    record.u_random = t->sum.u_random;
    snprintf(record.text.method, sizeof record.text.method, "reference sample");
    snprintf(record.text.remark, sizeof record.text.remark,
             "model %s, reference modulus %.6g Pa, %zu curves", t->plan.model->name,
             t->wish->modulus.value, t->sum.curves);
    struct lever_texts *x = &record.text;
    const char *unit = lever_file_unit(x->quantity);
    snprintf(x->correlated_with, sizeof x->correlated_with, "spring_constant");
    snprintf(x->correlated_value, sizeof x->correlated_value, "%.9g N/m",
             t->plan.lever.item[LEVER_spring_constant].value);
    snprintf(x->per_spring_constant, sizeof x->per_spring_constant, "%.5g", t->sum.per_spring);
    snprintf(x->per_sensitivity, sizeof x->per_sensitivity, "%.5g", t->sum.per_sensitivity);
    snprintf(x->u_besides, sizeof x->u_besides, "%.4g %s", t->sum.u_besides, unit);
    return calibrate_lever_close(t->wish, file, &record, 1, t->wish->file, p->digest, rep);
}

static enum status calibrate_value(struct calibrate_wish *w, struct calibrate_report *r,
                                   struct report *rep)
{
    struct tips *t = calloc(1, sizeof *t);
    struct lever_file *file = calloc(1, sizeof *file);
    struct pixels p = {.rows = w->rows, .columns = w->columns};
    enum status st = ST_OK;
    if (!t || !file) {
        st = fail(rep, ST_MEMORY, "not enough memory for a lever file");
        goto done;
    }
    t->wish = w;
    if ((st = pixels_open(&p, w->file, rep)) != ST_OK) goto done;
    if (w->lever && (st = calibrate_lever_open(w, "", file, rep)) != ST_OK) goto done;
    if ((st = prepare(t, file, &p, rep)) != ST_OK) goto done;
    if (w->lever && (st = calibrate_lever_open(w, lever_rows[t->item].name, file, rep)) != ST_OK)
        goto done;
    if (w->earlier && (st = load_earlier(t, rep)) != ST_OK) goto done;
    st = pixels_each(&p, take_curve, t, rep);
    if (st == ST_OK) st = combine(t, &p, rep);
    if (st != ST_OK) {
        st = within(rep, st, "%s: ", w->file);
        goto done;
    }
    tell(t, r);
    if (w->earlier) tell_wear(t, r);
    st = keep(t, file, &p, rep);
done:
    pixels_close(&p);
    if (t) {
        curve_work_free(t->work);
        curve_plan_free(&t->plan);
        if (t->has_recipe) recipe_free(&t->recipe);
        free(t->curve);
        free(t->place);
        free(t->scratch);
    }
    free(t);
    free(file);
    return st;
}

enum status calibrate_tip(struct calibrate_wish *w, struct calibrate_report *r, struct report *rep)
{
    if (!(w->modulus.value > 0))
        return fail(rep, ST_USAGE, "the modulus of the sample is missing; add --reference-modulus");
    return w->area ? calibrate_tip_area(w, r, rep) : calibrate_value(w, r, rep);
}
