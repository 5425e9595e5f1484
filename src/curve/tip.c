#include "curve/tip.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <string.h>

enum lever_item tip_item(const struct contact_model *m)
{
    static const enum lever_item order[] = {LEVER_tip_radius, LEVER_tip_half_angle,
                                            LEVER_tip_face_angle};
    for (size_t i = 0; i < sizeof order / sizeof *order; i++)
        if (m->needs >> order[i] & 1) return order[i];
    return LEVER_COUNT;
}

static bool is_angle(enum lever_item item)
{
    return strcmp(lever_rows[item].si_unit, "rad") == 0;
}

/* The search runs along ln R, and along ln tan of an angle: E goes nearly as a power of both. */
static double to_line(enum lever_item item, double value)
{
    return log(is_angle(item) ? tan(value) : value);
}

static double from_line(enum lever_item item, double x)
{
    return is_angle(item) ? atan(exp(x)) : exp(x);
}

/* ln E at a tip value; NaN where the curve is rejected. */
static enum status ln_modulus(const struct curve_plan *plan, const struct raw_curve *raw,
                              struct curve_work *work, enum lever_item item, double x,
                              struct pixel_result *r, double *out, struct report *rep)
{
    struct curve_plan here = *plan;
    here.lever.item[item].value = from_line(item, x);
    *out = NAN;
    enum status st = curve_plan_renew(&here, rep);
    if (st == ST_OK) {
        curve_analyse(&here, raw, work, r, NULL);
        if (r->state == STATE_accepted || r->state == STATE_doubtful)
            *out = log(r->map[MAP_modulus].value);
    }
    if (here.setup.layer != plan->setup.layer) contact_release(&here.setup);
    return st;
}

enum status tip_of_curve(const struct curve_plan *plan, const struct raw_curve *raw,
                         struct curve_work *work, enum lever_item item, double modulus_pa,
                         struct tip_curve *out, struct report *rep)
{
    enum { PATIENCE = 25 };
    double x = to_line(item, plan->lever.item[item].value), slope = is_angle(item) ? -1 : -0.5;
    double goal = log(modulus_pa), last_x = NAN, last = NAN;
    struct pixel_result r;
    *out = (struct tip_curve){.value = NAN, .u = NAN};
    for (int i = 0; i < PATIENCE; i++) {
        double ln_e;
        enum status st = ln_modulus(plan, raw, work, item, x, &r, &ln_e, rep);
        if (st != ST_OK) return st;
        out->flags = r.flags;
        if (!isfinite(ln_e)) return ST_OK;
        if (isfinite(last) && x != last_x && fabs(x - last_x) > 1e-6)
            slope = fmin(fmax((ln_e - last) / (x - last_x), -3.0), -0.05);
        double step = (goal - ln_e) / slope;
        if (fabs(step) < 1e-9) {
            out->there = true;
            out->value = from_line(item, x);
            double by = is_angle(item) ? sin(2 * out->value) / 2 : out->value; /* dvalue/dx */
            out->u = r.map[MAP_modulus].error / r.map[MAP_modulus].value / fabs(slope) * by;
            return ST_OK;
        }
        last_x = x;
        last = ln_e;
        x += fmax(-1.5, fmin(step, 1.5));
        double value = from_line(item, x);
        if (!(value > lever_rows[item].low && value < lever_rows[item].high)) return ST_OK;
    }
    return ST_OK;
}

/* --- all curves --- */

static size_t gather(const struct tip_curve *curve, size_t n, double *out)
{
    size_t m = 0;
    for (size_t i = 0; i < n; i++)
        if (curve[i].there) out[m++] = curve[i].value;
    return m;
}

static size_t drop_outliers(struct tip_curve *curve, size_t n, double limit, double *scratch)
{
    size_t m = gather(curve, n, scratch), dropped = 0;
    if (m < 4) return 0;
    double middle = gsl_stats_median(scratch, 1, m);
    for (size_t i = 0; i < m; i++)
        scratch[i] = fabs(scratch[i] - middle);
    double spread = 1.4826 * gsl_stats_median(scratch, 1, m) *
                    (1 + 4.0 / (double)m); /* few: unsure */
    for (size_t i = 0; i < n; i++)
        if (curve[i].there && fabs(curve[i].value - middle) > limit * spread) {
            curve[i].there = false;
            dropped++;
        }
    return dropped;
}

void tip_sum(struct tip_curve *curve, size_t n, double limit, double *scratch,
             struct tip_summary *out)
{
    *out = (struct tip_summary){.outliers = drop_outliers(curve, n, limit, scratch)};
    size_t m = out->curves = gather(curve, n, scratch);
    out->value = out->scatter = out->u_random = out->u = NAN;
    if (m == 0) return;
    out->value = gsl_stats_mean(scratch, 1, m);
    out->scatter = m > 1 ? gsl_stats_sd_m(scratch, 1, m, out->value) : NAN;
    for (size_t i = 0; i < n; i++)
        if (curve[i].there) out->fit_u += curve[i].u * curve[i].u / (double)m;
    out->fit_u = sqrt(out->fit_u);
    out->u_random = m > 1 ? out->scatter / sqrt((double)m) : out->fit_u;
}

static bool is_lever(const struct budget *b, size_t i)
{
    return b->input[i].item == LEVER_spring_constant || b->input[i].item == b->sensitivity;
}

/* The budget's coefficient of s holds what k does along with it; here each is to stand alone. */
static void find_relations(const struct budget *b, const struct budget_result *e, double c_tip,
                           struct tip_summary *io)
{
    double by_spring = 0, by_sensitivity = 0;
    for (size_t i = 0; i < b->n; i++) {
        if (b->input[i].item == LEVER_spring_constant) by_spring = e->coefficient[i];
        if (b->input[i].item == b->sensitivity) by_sensitivity = e->coefficient[i];
    }
    by_sensitivity -= b->spring_exponent * by_spring;
    io->per_spring = -by_spring / c_tip;
    io->per_sensitivity = -by_sensitivity / c_tip;
}

enum status tip_combine(const struct budget_job *job, enum lever_item item, enum budget_id which,
                        const struct known *reference, struct tip_summary *io, struct report *rep)
{
    struct budget *b = &io->budget;
    enum status st = budget_linear(job, b, rep);
    if (st != ST_OK) return st;
    const struct budget_result *e = &b->result[which];
    double c_tip = NAN, sum = io->u_random * io->u_random;
    for (size_t i = 0; i < b->n && e->there; i++)
        if (b->input[i].item == item) c_tip = e->coefficient[i];
    if (!(fabs(c_tip) > 0))
        return fail(rep, ST_INPUT,
                    "the modulus of the typical curve does not depend on the %s, so it cannot be "
                    "found from it",
                    lever_rows[item].words);
    double unit = is_angle(item) ? 1 : io->value; /* the coefficient of a radius is d ln/d ln */
    io->complete = !isnan(reference->u);
    for (size_t i = 0; i < b->n; i++) {
        const struct budget_input *in = &b->input[i];
        double u = in->logarithmic ? in->u / in->value : in->u;
        io->part[i] = e->coefficient[i] == 0 || in->item == item
                          ? 0
                          : fabs(e->coefficient[i] / c_tip) * u * unit;
        if (isnan(io->part[i]))
            io->complete = false;
        else
            sum += io->part[i] * io->part[i];
    }
    find_relations(b, e, c_tip, io);
    io->part_reference = reference->u / reference->value / fabs(c_tip) * unit;
    if (!isnan(io->part_reference)) sum += io->part_reference * io->part_reference;
    io->u = sqrt(sum);
    for (size_t i = 0; i < b->n; i++)
        if (is_lever(b, i) && !isnan(io->part[i])) sum -= io->part[i] * io->part[i];
    io->u_besides = sqrt(fmax(sum, 0));
    return ST_OK;
}
