#include "curve/thickness.h"

#include "curve/curve_private.h"

#include <math.h>

bool thickness_is_substrate(const struct curve_plan *plan, double x_m, double y_m, bool marked)
{
    const struct substrate_box *b = &plan->substrate_box;
    if (!b->given) return marked;
    return x_m >= b->x_from && x_m <= b->x_to && y_m >= b->y_from && y_m <= b->y_to;
}

static const struct contact_model *of_thick_sample(const struct contact_model *m)
{
    if (!m->layer_ratio) return m;
    switch (m->layer_shape) {
    case LAYER_SPHERE:
        return &contact_paraboloid;
    case LAYER_CONE:
        return &contact_cone;
    default:
        return &contact_flat_punch;
    }
}

struct curve_plan thickness_substrate_plan(const struct curve_plan *plan)
{
    struct curve_plan out = *plan;
    out.model = of_thick_sample(plan->model);
    out.thickness_from_substrate = out.two_depths = false;
    out.setup.thickness_m = NAN;
    return out;
}

double thickness_substrate_height(const struct pixel_result *r)
{
    const uint64_t bad = FLAG(absent) | FLAG(too_few_samples) | FLAG(saturated) |
                         FLAG(z_not_monotonic) | FLAG(no_baseline) | FLAG(no_contact);
    const struct measured *m = &r->map[MAP_contact_height];
    return r->flags & bad || !isfinite(m->error) ? NAN : m->value;
}

/* --- one pixel --- */

/* What every fit to this curve starts from. */
struct bench {
    const struct curve_plan *plan;
    struct curve_work *w;
    struct lane *lane, before;
    double base; /* height of the substrate here */
};

struct trial {
    struct contact_fit fit;
    uint64_t flags;
    double thickness, miss; /* miss: thickness by its contact height, less `thickness` */
};

/* A fit with this thickness, as if it were the first. */
static void fit_at(const struct bench *b, const struct curve_plan *plan, double thickness,
                   struct trial *t)
{
    struct curve_plan here = *plan;
    here.setup.thickness_m = thickness;
    *b->lane = b->before;
    lane_set_force(&here, b->lane);
    t->flags = 0;
    contact_fit_run(&here, b->w, b->lane, &t->fit, &t->flags);
    t->thickness = thickness;
    t->miss = -t->fit.contact_point - b->base - thickness;
}

static bool is_close(const struct trial *t)
{
    double u = sqrt(t->fit.cov[COV_CONTACT_POINT][COV_CONTACT_POINT]);
    return fabs(t->miss) <= fmax(1e-10 * t->thickness, 1e-4 * u);
}

/* Secant steps on the miss, which falls with the thickness; a step that leaves the bracket halves
 * it. @return false when no thickness agrees with its own contact height */
static bool agree_with_height(const struct bench *b, const struct curve_plan *plan, double start,
                              struct trial *t)
{
    enum { PATIENCE = 30 };
    double low = 0, high = INFINITY;
    struct trial last;
    fit_at(b, plan, start, &last);
    *t = last;
    double next = start + last.miss;
    for (int i = 0; i < PATIENCE; i++) {
        if (!t->fit.done) return false;
        if (is_close(t)) return true;
        if (t->miss > 0) low = fmax(low, t->thickness);
        if (t->miss < 0) high = fmin(high, t->thickness);
        if (i > 0)
            next = t->thickness - t->miss * (t->thickness - last.thickness) / (t->miss - last.miss);
        if (!(next > low && next < high)) next = isinf(high) ? 2.0 * low : 0.5 * (low + high);
        last = *t;
        fit_at(b, plan, next, t);
    }
    return t->fit.done && is_close(t);
}

static void results_at(const struct bench *b, const struct trial *t, double out[COV_SIZE])
{
    for (int i = 0; i < COV_SIZE; i++)
        out[i] = 0;
    out[COV_LN_MODULUS] = log(t->fit.sample.reduced_modulus_pa);
    out[COV_CONTACT_POINT] = t->fit.contact_point;
    out[COV_PEAK] = b->lane->peak_d;
    out[COV_DEPTH] = b->lane->peak_z - b->lane->peak_d - t->fit.contact_point;
}

/* How the results go with a thickness that is given. With white noise: the order of a noise model
 * may jump between neighbours. */
static void slopes_by_thickness(const struct bench *b, double thickness, double out[COV_SIZE])
{
    struct curve_plan plain = *b->plan;
    struct trial t;
    double up[COV_SIZE], down[COV_SIZE], step = 1e-3 * thickness;
    plain.coloured_noise = plain.two_depths = false;
    fit_at(b, &plain, thickness + step, &t);
    results_at(b, &t, up);
    fit_at(b, &plain, thickness - step, &t);
    results_at(b, &t, down);
    for (int i = 0; i < COV_SIZE; i++)
        out[i] = (up[i] - down[i]) / (2.0 * step);
}

/* h = -Z0 - base moves with the noise of Z0, and takes the other results along: with Z0 = z + Z0'
 * dh and dh = -dZ0, dh = -z/(1 + Z0') and each result moves by its own slope times dh. The
 * difference of the modulus to that of the shallow half, which takes part alike, keeps its error.
 */
static void carry_thickness(const double slope[COV_SIZE], struct contact_fit *fit)
{
    struct contact_fit old = *fit;
    double per = 1.0 / (1.0 + slope[COV_CONTACT_POINT]), t[COV_SIZE];
    for (int i = 0; i < COV_SIZE; i++)
        t[i] = i == COV_THICKNESS ? -per : -slope[i] * per;
    for (int i = 0; i < COV_SIZE; i++)
        for (int j = 0; j < COV_SIZE; j++)
            fit->cov[i][j] += t[i] * old.cov[COV_CONTACT_POINT][j] +
                              t[j] * old.cov[i][COV_CONTACT_POINT] +
                              t[i] * t[j] * old.cov[COV_CONTACT_POINT][COV_CONTACT_POINT];
    fit->half_var += fit->cov[COV_LN_MODULUS][COV_LN_MODULUS] -
                     old.cov[COV_LN_MODULUS][COV_LN_MODULUS];
}

static bool stands_out(const struct curve_plan *plan, const struct raw_curve *raw, double thickness,
                       const struct contact_fit *fit)
{
    double u = hypot(sqrt(fit->cov[COV_THICKNESS][COV_THICKNESS]),
                     plane_error(&plan->substrate, raw->x_m, raw->y_m));
    return thickness > 3.0 * u;
}

/* No layer to fit: what is left is where the surface is. */
static void keep_height(struct contact_fit *fit)
{
    struct contact_fit height = {.sample = {NAN, NAN, NAN}, .contact_point = fit->contact_point};
    static const int kept[] = {COV_CONTACT_POINT, COV_THICKNESS};
    for (int i = 0; i < 2; i++)
        for (int j = 0; j < 2; j++)
            height.cov[kept[i]][kept[j]] = fit->cov[kept[i]][kept[j]];
    *fit = height;
}

static void fit_layer(const struct bench *b, const struct raw_curve *raw, struct curve_plan *plan,
                      struct contact_fit *fit, uint64_t *flags)
{
    double slope[COV_SIZE] = {0};
    struct curve_plan whole = *plan;
    struct trial t;
    whole.two_depths = false;
    bool found = agree_with_height(b, &whole, plan->setup.thickness_m, &t);
    if (found && !plan->values_only) slopes_by_thickness(b, t.thickness, slope);
    if (!plan->values_only) fit_at(b, plan, t.thickness, &t);
    *fit = t.fit;
    *flags |= t.flags;
    plan->setup.thickness_m = t.thickness;
    if (found && slope[COV_CONTACT_POINT] > -1.0) {
        carry_thickness(slope, fit);
        if (!stands_out(plan, raw, t.thickness, fit)) *flags |= FLAG(bare_substrate);
    } else {
        *flags |= FLAG(fit_failed);
    }
}

void thickness_fit(struct curve_plan *plan, const struct raw_curve *raw, struct curve_work *w,
                   struct lane *lane, struct contact_fit *fit, uint64_t *flags)
{
    static const double none[COV_SIZE];
    struct bench b = {plan, w, lane, *lane, plane_height(&plan->substrate, raw->x_m, raw->y_m)};
    struct curve_plan thick = *plan;
    struct trial t;
    bool layer = plan->model->layer_ratio;
    thick.model = of_thick_sample(plan->model);
    thick.two_depths = plan->two_depths && !layer;
    fit_at(&b, &thick, NAN, &t);
    plan->setup.thickness_m = -t.fit.contact_point - b.base;
    carry_thickness(none, &t.fit);
    *fit = t.fit;
    bool bare = thickness_is_substrate(plan, raw->x_m, raw->y_m, raw->on_substrate) ||
                !stands_out(plan, raw, plan->setup.thickness_m, fit);
    if (!layer || !t.fit.done) *flags |= t.flags;
    if (!t.fit.done) return;
    if (bare) *flags |= FLAG(bare_substrate);
    if (layer && bare) keep_height(fit);
    if (layer && !bare) fit_layer(&b, raw, plan, fit, flags);
}
