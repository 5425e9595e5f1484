/* Inputs, sensitivity coefficients by central differences, and the law of propagation. */
#include "curve/budget.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

const enum map_id budget_maps[BUDGET_COUNT] = {
#define B(name) MAP_##name,
    BUDGET_LIST(B)
#undef B
};

const char *const knowledge_words[KNOWLEDGE_COUNT] = {
#define W(name, words) words,
    KNOWLEDGE_LIST(W)
#undef W
};

/* --- the inputs --- */

/* Whose error the deflection of the fitted segment has: for deflections and forces that the volume
 * holds ready the sensitivity they were made with. */
static enum lever_item sensitivity_of(const struct curve_plan *plan, const struct raw_curve *curve)
{
    const struct known *item = plan->lever.item;
    enum signal_stage stage = curve->stage[plan->segment];
    if (stage == STAGE_DETECTOR) return LEVER_deflection_sensitivity;
    if (stage == STAGE_QUADRANTS) return LEVER_quadrant_sensitivity;
    bool quadrants = isnan(item[LEVER_deflection_sensitivity].value) &&
                     isfinite(item[LEVER_quadrant_sensitivity].value);
    return quadrants ? LEVER_quadrant_sensitivity : LEVER_deflection_sensitivity;
}

/* The thickness of this very pixel wins over the one number. Where it is found as a height above
 * the substrate, what is common to the map is the error of the substrate's plane. */
static struct known known_of(const struct budget_job *job, const struct budget *b,
                             enum lever_item item)
{
    const struct curve_plan *plan = job->plan;
    struct known k = plan->lever.item[item];
    if (item != LEVER_sample_thickness) return k;
    if (plan->lever.thickness_by_pixel) k.value = job->curve->thickness_m;
    if (plan->thickness_from_substrate) {
        k.value = b->thickness_m;
        k.u = plane_error(&plan->substrate, job->curve->x_m, job->curve->y_m);
    }
    return k;
}

/* Of a lever file, when nothing in the recipe or the volume has taken its place. */
static double correlation_of(const struct curve_plan *plan)
{
    const struct known *k = &plan->lever.item[LEVER_spring_constant];
    const struct known *s = &plan->lever.item[LEVER_deflection_sensitivity];
    return !plan->spring_from_given && k->u > 0 && s->u > 0 ? plan->lever.correlation : 0;
}

static double exponent_of(const struct curve_plan *plan)
{
    const struct known *k = &plan->lever.item[LEVER_spring_constant];
    const struct known *s = &plan->lever.item[LEVER_deflection_sensitivity];
    double r = correlation_of(plan);
    if (r != 0) return r * (k->u / k->value) / (s->u / s->value);
    return plan->spring_from == SPRING_THERMAL ? -2 : 0;
}

static struct budget_input input_of(const struct budget_job *job, const struct budget *b,
                                    enum lever_item item)
{
    const struct known known = known_of(job, b, item), *k = &known;
    const struct lever_row *row = &lever_rows[item];
    bool zero_may_be = !(row->low > 0), angle = strcmp(row->si_unit, "rad") == 0;
    struct budget_input in = {.item = item,
                              .value = k->value,
                              .u = k->u,
                              .u_is = isnan(k->u) ? KNOWLEDGE_unknown : KNOWLEDGE_stated,
                              .logarithmic = !zero_may_be && !angle};
    if (item == job->plan->lever.tip_item) in.u = job->plan->lever.tip_u;
    if (item == LEVER_spring_constant && correlation_of(job->plan) != 0)
        in.u *= sqrt(1 - correlation_of(job->plan) * correlation_of(job->plan));
    if (item == LEVER_spring_constant && job->plan->spring_from == SPRING_NOMINAL && isnan(k->u)) {
        in.u = 0.2 * k->value; /* common practice, no source */
        in.u_is = KNOWLEDGE_assumed;
    }
    return in;
}

static void list_inputs(const struct budget_job *job, struct budget *b)
{
    for (int i = 0; i < LEVER_COUNT; i++)
        if (isfinite(known_of(job, b, (enum lever_item)i).value) || i == (int)b->sensitivity)
            b->input[b->n++] = input_of(job, b, (enum lever_item)i);
}

/* An input without value is reckoned relative to it. */
static double stated(const struct budget_input *in)
{
    return isnan(in->value) ? 1.0 : in->value;
}

/* --- one analysis with changed inputs --- */

/* A tip that was found with this lever is another one with another lever. */
static void move_tip(const struct curve_plan *was, double sensitivity_factor,
                     struct curve_plan *plan)
{
    const struct lever *l = &was->lever;
    if (l->tip_item == LEVER_COUNT) return;
    double spring = plan->lever.item[LEVER_spring_constant].value /
                    l->item[LEVER_spring_constant].value;
    double by = l->tip_by_spring * log(spring) + l->tip_by_sensitivity * log(sensitivity_factor);
    double *tip = &plan->lever.item[l->tip_item].value;
    if (strcmp(lever_rows[l->tip_item].si_unit, "rad") == 0)
        *tip += by;
    else
        *tip *= exp(by);
}

/* plan and the factor on deflections that were ready, from x */
static enum status plan_at(const struct budget_job *job, const struct budget *b, const double *x,
                           struct curve_plan *plan, double *factor, struct report *rep)
{
    *plan = *job->plan;
    plan->coloured_noise = plan->two_depths = false;
    plan->values_only = true;
    *factor = 1.0;
    for (size_t i = 0; i < b->n; i++) {
        const struct budget_input *in = &b->input[i];
        if (isfinite(in->value)) plan->lever.item[in->item].value = x[i];
        if (in->item == b->sensitivity) *factor = x[i] / stated(in);
        if (in->item == LEVER_sample_thickness && plan->thickness_from_substrate)
            plan->substrate.c[0] -= x[i] - in->value;
    }
    if (plan->thickness_from_substrate) plan->lever.item[LEVER_sample_thickness].value = NAN;
    if (b->spring_exponent != 0)
        plan->lever.item[LEVER_spring_constant].value *= pow(*factor, b->spring_exponent);
    move_tip(job->plan, *factor, plan);
    return curve_plan_renew(plan, rep);
}

/* What the volume holds of one segment, had it been made with other values. */
static double signal_factor(const struct budget_job *job, const struct curve_plan *plan, int seg,
                            double factor)
{
    switch (job->curve->stage[seg]) {
    case STAGE_DEFLECTION:
        return factor;
    case STAGE_FORCE:
        return factor * plan->lever.item[LEVER_spring_constant].value /
               job->plan->lever.item[LEVER_spring_constant].value;
    default:
        return 1.0;
    }
}

/* The curve with scaled signals; what is not scaled is borrowed. */
static enum status scale_curve(const struct budget_job *job, const struct curve_plan *plan,
                               double factor, struct raw_curve *curve, double *made[SEG_COUNT],
                               struct report *rep)
{
    *curve = *job->curve;
    for (int s = 0; s < SEG_COUNT; s++) {
        double by = signal_factor(job, plan, s, factor);
        size_t n = curve->seg[s].n;
        made[s] = NULL;
        if (n == 0 || by == 1.0) continue;
        made[s] = malloc(n * sizeof *made[s]);
        if (!made[s]) return fail(rep, ST_MEMORY, "not enough memory for the uncertainty budget");
        for (size_t i = 0; i < n; i++)
            made[s][i] = by * curve->seg[s].signal[i];
        curve->seg[s].signal = made[s];
    }
    return ST_OK;
}

/* Values of the results; NaN where there is none. */
static void results_of(const struct pixel_result *r, double value[BUDGET_COUNT])
{
    for (int q = 0; q < BUDGET_COUNT; q++) {
        double v = r->map[budget_maps[q]].value;
        bool noise = q == BUDGET_adhesion && (r->flags & FLAG(adhesion_in_noise));
        value[q] = isfinite(v) && v > 0 && !noise ? v : NAN;
    }
}

static enum status values_at(const struct budget_job *job, const struct budget *b, const double *x,
                             double value[BUDGET_COUNT], struct report *rep)
{
    struct curve_plan plan;
    struct raw_curve curve;
    struct pixel_result result;
    double factor, *made[SEG_COUNT] = {NULL};
    enum status st = plan_at(job, b, x, &plan, &factor, rep);
    if (st == ST_RECIPE) { /* values that cannot be together have no result */
        for (int q = 0; q < BUDGET_COUNT; q++)
            value[q] = NAN;
        return ST_OK;
    }
    if (st == ST_OK) st = scale_curve(job, &plan, factor, &curve, made, rep);
    for (size_t i = 0; i < b->n; i++)
        if (b->input[i].item == LEVER_sample_thickness) curve.thickness_m = x[i];
    if (st == ST_OK) {
        curve_analyse_from(&plan, &curve, job->hint, job->work, &result, NULL);
        results_of(&result, value);
    }
    for (int s = 0; s < SEG_COUNT; s++)
        free(made[s]);
    if (plan.setup.layer != job->plan->setup.layer) contact_release(&plan.setup);
    return st;
}

enum status budget_at(const struct budget_job *job, const struct budget *b, const double *x,
                      double ratio[BUDGET_COUNT], struct report *rep)
{
    enum status st = values_at(job, b, x, ratio, rep);
    for (int q = 0; q < BUDGET_COUNT && st == ST_OK; q++)
        ratio[q] = b->result[q].there ? ratio[q] / b->result[q].value : NAN;
    return st;
}

static void stated_values(const struct budget *b, double x[LEVER_COUNT])
{
    for (size_t i = 0; i < b->n; i++)
        x[i] = stated(&b->input[i]);
}

/* --- linear --- */

/* One u to either side, within what can be; where u is not known a step that shows the slope. */
static void steps_of(const struct budget_input *in, double *down, double *up)
{
    const struct lever_row *row = &lever_rows[in->item];
    double at = stated(in), unit = in->logarithmic ? at : 1.0;
    double step = isnan(in->u) ? 0.01 * unit : fmax(in->u, 1e-3 * unit); /* above rounding */
    if (in->logarithmic && step > 0.5 * at) step = 0.5 * at;
    *down = at - step;
    *up = at + step;
    if (isnan(in->value)) return;
    *down = fmax(*down, row->low);
    *up = fmin(*up, row->high);
}

static double coefficient(const struct budget_input *in, double down, double up, double low,
                          double high)
{
    double at = stated(in);
    /* a side without a result: the difference to the middle, where the ratio is 1 */
    if (isnan(low) && isnan(high)) return NAN;
    if (isnan(low)) low = 1.0, down = at;
    if (isnan(high)) high = 1.0, up = at;
    double change = log(high / low);
    if (fabs(change) < 1e-7) return 0.0; /* rounding: this input does not matter */
    return change / (in->logarithmic ? log(up / down) : up - down);
}

static enum status find_coefficients(const struct budget_job *job, struct budget *b,
                                     struct report *rep)
{
    double x[LEVER_COUNT], low[BUDGET_COUNT], high[BUDGET_COUNT], down, up;
    stated_values(b, x);
    for (size_t i = 0; i < b->n; i++) {
        const struct budget_input *in = &b->input[i];
        double kept = x[i];
        steps_of(in, &down, &up);
        x[i] = down;
        enum status st = budget_at(job, b, x, low, rep);
        x[i] = up;
        if (st == ST_OK) st = budget_at(job, b, x, high, rep);
        if (st != ST_OK) return st;
        x[i] = kept;
        for (int q = 0; q < BUDGET_COUNT; q++)
            b->result[q].coefficient[i] = b->result[q].there
                                              ? coefficient(in, down, up, low[q], high[q])
                                              : NAN;
    }
    return ST_OK;
}

/* Inputs that change nothing are no inputs. */
static void drop_idle_inputs(struct budget *b)
{
    size_t kept = 0;
    for (size_t i = 0; i < b->n; i++) {
        bool idle = true;
        for (int q = 0; q < BUDGET_COUNT; q++)
            if (b->result[q].there && b->result[q].coefficient[i] != 0) idle = false;
        if (idle) continue;
        b->input[kept] = b->input[i];
        for (int q = 0; q < BUDGET_COUNT; q++)
            b->result[q].coefficient[kept] = b->result[q].coefficient[i];
        kept++;
    }
    b->n = kept;
}

void budget_combine(const struct budget_input *input, size_t n, struct budget_result *r)
{
    double sum = 0;
    r->complete = true;
    for (size_t i = 0; i < n; i++) {
        double u = input[i].logarithmic ? input[i].u / input[i].value : input[i].u;
        r->contribution[i] = r->coefficient[i] == 0 ? 0.0 : fabs(r->coefficient[i]) * u;
        if (isnan(r->contribution[i]))
            r->complete = false;
        else
            sum += r->contribution[i] * r->contribution[i];
    }
    for (size_t i = 0; i < n; i++)
        r->share[i] = sum > 0 ? r->contribution[i] * r->contribution[i] / sum : NAN;
    r->combined = sqrt(sum);
}

enum status budget_linear(const struct budget_job *job, struct budget *out, struct report *rep)
{
    double x[LEVER_COUNT], value[BUDGET_COUNT];
    *out = (struct budget){.spring_from = (enum spring_from)job->plan->spring_from,
                           .spring_exponent = exponent_of(job->plan),
                           .sensitivity = sensitivity_of(job->plan, job->curve),
                           .seed = 20081};
    out->thickness_m = NAN;
    if (job->plan->thickness_from_substrate) {
        struct pixel_result now;
        curve_analyse(job->plan, job->curve, job->work, &now, NULL);
        out->thickness_m = now.map[MAP_thickness].value;
    }
    list_inputs(job, out);
    stated_values(out, x);
    enum status st = values_at(job, out, x, value, rep);
    if (st != ST_OK) return st;
    for (int q = 0; q < BUDGET_COUNT; q++) {
        struct budget_result *r = &out->result[q];
        r->value = value[q];
        r->there = isfinite(value[q]);
        r->combined = r->mean = r->spread = r->low = r->high = NAN;
    }
    st = find_coefficients(job, out, rep);
    if (st != ST_OK) return st;
    drop_idle_inputs(out);
    for (int q = 0; q < BUDGET_COUNT; q++)
        if (out->result[q].there) budget_combine(out->input, out->n, &out->result[q]);
    for (size_t i = 0; i < out->n; i++)
        if (out->input[i].u > 0) out->draws = job->plan->draws;
    return ST_OK;
}

size_t budget_order(const struct budget *b, enum budget_id id, size_t order[LEVER_COUNT])
{
    const double *c = b->result[id].contribution;
    size_t n = 0;
    for (size_t i = 0; i < b->n; i++) {
        size_t at = n;
        if (!(c[i] > 0)) continue;
        for (; at > 0 && c[order[at - 1]] < c[i]; at--)
            order[at] = order[at - 1];
        order[at] = i;
        n++;
    }
    return n;
}
