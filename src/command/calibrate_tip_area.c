/* The tip's area function from a sample of known modulus, and whether it has worn. */
#include "command/calibrate_pixels.h"
#include "command/calibrate_tip.h"
#include "command/describe.h"
#include "curve/tip_area.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *const quantities[] = {"tip_area_quadratic", "tip_area_linear",
                                         "tip_area_constant", "tip_area_factor"};
enum { QUANTITIES = 4, FACTOR = 3 };
static const enum lever_item items[QUANTITIES] = {LEVER_tip_area_quadratic, LEVER_tip_area_linear,
                                                  LEVER_tip_area_constant, LEVER_tip_area_factor};

struct areas {
    const struct calibrate_wish *wish;
    struct recipe recipe;
    bool has_recipe;
    struct curve_plan plan;
    struct curve_work *work;
    enum area_form form;
    double reduced_pa;         /* E_r of reference and tip */
    struct area_curve *curve;  /* [n] */
    struct pixel_place *place; /* [n] */
    size_t n, bins;
    struct area_fit fit;
    struct area_bin bin[AREA_BINS];
    struct tip_summary sum; /* of the factor, which is one */
};

/* --- recipe and plan --- */

static enum status find_form(struct areas *a, struct report *rep)
{
    for (int i = 0; i < FORM_COUNT; i++)
        if (strcmp(area_form_names[i], a->wish->area) == 0) {
            a->form = (enum area_form)i;
            return ST_OK;
        }
    return fail(rep, ST_USAGE, "--area: '%s' is not known; expected quadratic, linear, both or all",
                a->wish->area);
}

/* E of the reference to E_r of reference and tip. */
static void find_reduced(struct areas *a)
{
    const struct known *item = a->plan.lever.item;
    double nu = a->plan.poisson_ratio, nu_tip = item[LEVER_tip_poisson_ratio].value;
    double of_tip = item[LEVER_tip_modulus].value;
    double inverse = (1.0 - nu * nu) / a->wish->modulus.value;
    if (isfinite(of_tip)) inverse += (1.0 - nu_tip * nu_tip) / of_tip;
    a->reduced_pa = 1.0 / inverse;
}

/* The unloading is switched on whatever the recipe says; its area is what is sought, so any will
 * do. An area that is known already is of an earlier tip. */
static enum status make_plan(struct areas *a, const struct volume_facts *f, struct report *rep)
{
    enum signal_stage stages[SEG_COUNT];
    bool there[SEG_COUNT];
    struct recipe_value *v = a->recipe.v;
    for (int s = 0; s < SEG_COUNT; s++) {
        stages[s] = f->seg[s].stage;
        there[s] = f->seg[s].there;
    }
    v[KEY_unloading_analysis].choice = 1;
    v[KEY_unloading_area].choice = 1 + AREA_berkovich;
    enum status st = curve_plan_make(&a->recipe, &f->lever, stages, there, &a->plan, rep);
    find_reduced(a);
    return st;
}

static enum status prepare(struct areas *a, const struct lever_file *file, struct pixels *p,
                           struct report *rep)
{
    const struct volume_facts *f = volume_facts(p->volume);
    size_t longest = 1, pixels = f->nx * f->ny;
    for (int s = 0; s < SEG_COUNT; s++)
        if (f->seg[s].there && f->seg[s].n > longest) longest = f->seg[s].n;
    enum status st = calibrate_tip_recipe(a->wish, file, &a->recipe, &a->has_recipe, rep);
    if (st == ST_OK) st = make_plan(a, f, rep);
    if (st != ST_OK) return st;
    a->work = curve_work_new(longest);
    a->curve = malloc(pixels * sizeof *a->curve);
    a->place = malloc(pixels * sizeof *a->place);
    return a->work && a->curve && a->place
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory for %zu curves", pixels);
}

static enum status take_curve(void *context, struct pixel_place at, const struct raw_curve *raw,
                              struct report *rep)
{
    struct areas *a = context;
    (void)rep;
    a->place[a->n] = at;
    area_of_curve(&a->plan, raw, a->work, a->reduced_pa, &a->curve[a->n++]);
    return ST_OK;
}

/* --- what is common to all curves --- */

static size_t nearest_to_middle(const struct areas *a)
{
    size_t best = 0;
    double least = INFINITY;
    for (size_t i = 0; i < a->n; i++) {
        double off = fabs(a->curve[i].depth_m - a->fit.middle_m);
        if (a->curve[i].there && off < least) least = off, best = i;
    }
    return best;
}

/* The function with a factor of one, whose uncertainty stands for all depths: with another lever or
 * reference the factor would be another one. The shape is what the curves say. */
static enum status combine(struct areas *a, struct pixels *p, struct report *rep)
{
    struct raw_curve raw;
    struct known reference = {a->wish->modulus.value, a->wish->modulus.u, ""};
    struct known *item = a->plan.lever.item;
    enum status st = pixels_one(p, a->place[nearest_to_middle(a)], &raw, rep);
    if (st != ST_OK) return st;
    for (int i = 0; i < AREA_TERMS; i++)
        item[items[i]] = (struct known){a->fit.coefficient[i], 0, "found"};
    item[LEVER_tip_area_factor] = (struct known){1, 0, "found"};
    a->plan.lever.tip_item = LEVER_COUNT; /* of an earlier tip, if there was one */
    a->plan.unloading.law.area.shape = AREA_function;
    st = curve_plan_renew(&a->plan, rep);
    if (st != ST_OK) return st;
    a->sum = (struct tip_summary){.curves = a->fit.curves, .outliers = a->fit.outliers, .value = 1};
    a->sum.scatter = a->fit.scatter;
    area_fit_at(&a->fit, a->fit.middle_m, &a->sum.u_random);
    const struct budget_job job = {.plan = &a->plan, .curve = &raw, .work = a->work};
    return tip_combine(&job, LEVER_tip_area_factor, BUDGET_unloading_modulus, &reference, &a->sum,
                       rep);
}

/* --- telling --- */

static void tell_bins(const struct areas *a, struct calibrate_report *r)
{
    json_t *list = json_array();
    double worst = 0;
    for (size_t i = 0; i < a->bins; i++) {
        const struct area_bin *b = &a->bin[i];
        json_array_append_new(list, json_pack("{s:I, s:f, s:f, s:f, s:f}", "curves",
                                              (json_int_t)b->n, "contact_depth", b->depth_m, "area",
                                              b->area_m2, "off", b->off, "u", b->u));
        if (fabs(b->off) > 3 * b->u) worst = fmax(worst, fabs(b->off));
        if (r->text)
            describe_line("",
                          "%7.1f nm %12.5g nm2   %+.1f %% off the function, standard "
                          "uncertainty %.1f %%, %zu curves",
                          1e9 * b->depth_m, 1e18 * b->area_m2, 100 * b->off, 100 * b->u, b->n);
    }
    json_object_set_new(r->json, "bins", list);
    if (worst > 0.02)
        calibrate_caution(r,
                          "the function misses the areas by up to %.2g %%, more than three times "
                          "their scatter: another --area may follow the tip better",
                          100 * worst);
}

static void tell(const struct areas *a, struct calibrate_report *r)
{
    const struct area_fit *f = &a->fit;
    double low, high;
    double area = area_fit_at(f, f->middle_m, NULL);
    area_fit_at(f, f->lowest_m, &low);
    area_fit_at(f, f->highest_m, &high);
    json_object_set_new(
        r->json, "tip_area",
        json_pack("{s:f, s:f, s:f, s:f, s:f, s:f, s:[fff], s:[fff], s:b, s:I, s:I, s:f, s:s}",
                  "quadratic", f->coefficient[0], "linear", f->coefficient[1], "constant",
                  f->coefficient[2], "u", a->sum.u, "u_random", a->sum.u_random, "u_besides",
                  a->sum.u_besides, "depths", f->lowest_m, f->middle_m, f->highest_m,
                  "u_random_at_depths", low, a->sum.u_random, high, "complete", a->sum.complete,
                  "curves", (json_int_t)f->curves, "outliers", (json_int_t)f->outliers, "scatter",
                  f->scatter, "form", area_form_names[a->form]));
    if (r->text) {
        describe_line("tip area", "%.5g h^2 + %.5g nm h + %.5g nm2 of the contact depth h",
                      f->coefficient[0], 1e9 * f->coefficient[1], 1e18 * f->coefficient[2]);
        describe_line("", "%.4g nm2 at %.3g nm, standard uncertainty %.2g %%%s", 1e18 * area,
                      1e9 * f->middle_m, 100 * a->sum.u, a->sum.complete ? "" : ", at least");
        describe_line("",
                      "over %zu of %zu curves, %zu far from the others left out; scatter %.2g %%; "
                      "depths from %.3g nm (%.2g %% from the scatter) to %.3g nm (%.2g %%)",
                      f->curves, a->n, f->outliers, 100 * f->scatter, 1e9 * f->lowest_m, 100 * low,
                      1e9 * f->highest_m, 100 * high);
    }
    calibrate_tip_parts(&a->sum, r);
    tell_bins(a, r);
    if (!a->sum.complete)
        calibrate_caution(r, "an input has no uncertainty: what is told is the least");
    if (2 * f->curves < a->n) calibrate_caution(r, "more than half of the curves cannot be used");
}

/* Of an earlier lever file: the area at this depth with its two uncertainties, relative. */
static enum status load_earlier(const char *path, double depth_m, struct tip_wear *out, char *date,
                                size_t size, struct report *rep)
{
    struct lever_file *file = malloc(sizeof *file);
    if (!file) return fail(rep, ST_MEMORY, "not enough memory for a lever file");
    const struct lever_record *old[QUANTITIES] = {NULL};
    double c[QUANTITIES] = {0, 0, 0, 1};
    enum status st = lever_file_load(file, path, rep);
    for (int i = 0; i < QUANTITIES && st == ST_OK; i++) {
        old[i] = lever_file_find(file, quantities[i]);
        if (old[i]) c[i] = old[i]->value;
    }
    if (st == ST_OK && !old[0] && !old[1])
        st = fail(rep, ST_INPUT, "%s: holds no tip_area_quadratic and no tip_area_linear", path);
    out->earlier = c[FACTOR] * ((c[0] * depth_m + c[1]) * depth_m + c[2]);
    out->earlier_u = old[FACTOR] ? out->earlier * old[FACTOR]->u / c[FACTOR] : NAN;
    out->earlier_u_random = old[FACTOR] ? out->earlier * old[FACTOR]->u_random / c[FACTOR] : NAN;
    snprintf(date, size, "%s", old[FACTOR] ? old[FACTOR]->text.date : "");
    out->date = date;
    free(file);
    return st;
}

static enum status compare(const struct areas *a, struct calibrate_report *r, struct report *rep)
{
    char date[40] = "";
    struct tip_wear wear = {.value = area_fit_at(&a->fit, a->fit.middle_m, NULL)};
    wear.u = wear.value * a->sum.u;
    wear.u_random = wear.value * a->sum.u_random;
    enum status st = load_earlier(a->wish->earlier, a->fit.middle_m, &wear, date, sizeof date, rep);
    if (st == ST_OK) calibrate_tip_wear(&wear, r);
    return st;
}

static enum status keep(const struct areas *a, struct lever_file *file, const struct pixels *p,
                        struct report *rep)
{
    struct lever_record record[QUANTITIES];
    for (int i = 0; i < QUANTITIES; i++) {
        record[i] = lever_record_make(quantities[i], i == FACTOR ? 1 : a->fit.coefficient[i],
                                      i == FACTOR ? a->sum.u : 0);
        struct lever_texts *x = &record[i].text;
        snprintf(x->method, sizeof x->method, "reference sample");
        snprintf(
            x->remark, sizeof x->remark,
            i == FACTOR
                ? "for contact depths of %.3g to %.3g nm; reference modulus %.6g Pa, %zu curves"
                : "depths of %.3g to %.3g nm; reference modulus %.6g Pa, %zu curves; its "
                  "uncertainty is in tip_area_factor",
            1e9 * a->fit.lowest_m, 1e9 * a->fit.highest_m, a->wish->modulus.value, a->fit.curves);
    }
    struct lever_record *factor = &record[FACTOR];
    struct lever_texts *x = &factor->text;
    factor->u_random = a->sum.u_random;
    snprintf(x->correlated_with, sizeof x->correlated_with, "spring_constant");
    snprintf(x->correlated_value, sizeof x->correlated_value, "%.9g N/m",
             a->plan.lever.item[LEVER_spring_constant].value);
    snprintf(x->per_spring_constant, sizeof x->per_spring_constant, "%.5g", a->sum.per_spring);
    snprintf(x->per_sensitivity, sizeof x->per_sensitivity, "%.5g", a->sum.per_sensitivity);
    snprintf(x->u_besides, sizeof x->u_besides, "%.4g", a->sum.u_besides);
    return calibrate_lever_close(a->wish, file, record, QUANTITIES, a->wish->file, p->digest, rep);
}

/* Replaced all together or not at all. */
static enum status open_lever(const struct calibrate_wish *w, struct lever_file *file,
                              struct report *rep)
{
    enum status st = ST_OK;
    for (int i = 0; i < QUANTITIES && st == ST_OK && w->lever; i++)
        st = calibrate_lever_open(w, quantities[i], file, rep);
    return st;
}

enum status calibrate_tip_area(struct calibrate_wish *w, struct calibrate_report *r,
                               struct report *rep)
{
    struct areas *a = calloc(1, sizeof *a);
    struct lever_file *file = calloc(1, sizeof *file);
    struct pixels p = {.rows = w->rows, .columns = w->columns};
    enum status st = ST_OK;
    if (!a || !file) {
        st = fail(rep, ST_MEMORY, "not enough memory for a lever file");
        goto done;
    }
    a->wish = w;
    if ((st = find_form(a, rep)) != ST_OK) goto done;
    if ((st = pixels_open(&p, w->file, rep)) != ST_OK) goto done;
    if ((st = open_lever(w, file, rep)) != ST_OK) goto done;
    if ((st = prepare(a, file, &p, rep)) != ST_OK) goto done;
    st = pixels_each(&p, take_curve, a, rep);
    if (st == ST_OK) st = area_fit_make(a->curve, a->n, a->form, w->outlier, &a->fit, rep);
    if (st == ST_OK) st = combine(a, &p, rep);
    if (st != ST_OK) {
        st = within(rep, st, "%s: ", w->file);
        goto done;
    }
    a->bins = area_bins(a->curve, a->n, &a->fit, a->bin);
    tell(a, r);
    if (w->earlier && (st = compare(a, r, rep)) != ST_OK) goto done;
    st = keep(a, file, &p, rep);
done:
    pixels_close(&p);
    if (a) {
        curve_work_free(a->work);
        curve_plan_free(&a->plan);
        if (a->has_recipe) recipe_free(&a->recipe);
        free(a->curve);
        free(a->place);
    }
    free(a);
    free(file);
    return st;
}
