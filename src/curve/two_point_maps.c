/* Adhesion beyond the fit: the two-point JKR method, Tabor's parameter, the transition parameter.
 */
#include "base/lanes.h"
#include "contact/transition.h"
#include "contact/two_point.h"
#include "curve/curve_private.h"
#include "curve/passes.h"

#include <math.h>

static void set(struct pixel_result *out, enum map_id id, double value, double error)
{
    out->map[id] = (struct measured){isfinite(value) ? value : NAN, isfinite(error) ? error : NAN};
}

/* The two points of a retract: piezo displacement, deflection, variances from the samples. */
struct points {
    double z_pull, d_pull, z_zero, slope; /* slope dd/dz at zero force */
    double var_z_pull, var_d_pull, var_z_zero, baseline_error;
};

enum { CUBIC = 4, CUBIC_SAMPLES = 12 };

/* Deflection over depth near the minimum as a cubic of x = (depth - middle)/half. */
struct cubic {
    double middle, half, c[CUBIC], inverse[CUBIC][CUBIC];
};

/* Inverse of a symmetric positive matrix in place (Gauss, Jordan). */
static bool invert(double m[CUBIC][CUBIC])
{
    for (int k = 0; k < CUBIC; k++) {
        if (!(fabs(m[k][k]) > 1e-300)) return false;
        double per = 1.0 / m[k][k];
        m[k][k] = 1.0;
        for (int j = 0; j < CUBIC; j++)
            m[k][j] *= per;
        for (int i = 0; i < CUBIC; i++) {
            double factor = m[i][k];
            if (i == k) continue;
            m[i][k] = 0.0;
            for (int j = 0; j < CUBIC; j++)
                m[i][j] -= factor * m[k][j];
        }
    }
    return true;
}

/* Sums of weight x^k and weight x^k d over samples [from, to). An error of the deflection moves the
 * depth the other way, so it counts 1 + slope (in deflection over depth), as known from the pass
 * before. */
LANES_CLONES static void cubic_sums(const struct lane *lane, size_t from, size_t to, bool weighted,
                                    const struct cubic *q, double power[2 * CUBIC - 1],
                                    double b[CUBIC])
{
    const double per = 1.0 / q->half;
    const lanes fewest = {0.25, 0.25, 0.25, 0.25};
    lanes sums[2 * CUBIC - 1] = {0}, with[CUBIC] = {0};
    for (size_t i = from; i < to; i += LANES) {
        lanes z, d, weight;
        if (i + LANES <= to) {
            z = lanes_load(lane->z + i), d = lanes_load(lane->flat + i), weight = z * 0.0 + 1.0;
        } else { /* the last few: what is beyond them counts nothing */
            double zs[LANES], ds[LANES], one[LANES];
            for (size_t k = 0; k < LANES; k++) {
                size_t at = i + k < to ? i + k : i;
                zs[k] = lane->z[at], ds[k] = lane->flat[at], one[k] = i + k < to;
            }
            z = lanes_load(zs), d = lanes_load(ds), weight = lanes_load(one);
        }
        lanes x = (z - d - q->middle) * per;
        if (weighted) {
            lanes count = 1.0 + (q->c[1] + x * (2.0 * q->c[2] + x * (3.0 * q->c[3]))) * per;
            weight /= lanes_max(count * count, fewest);
        }
#pragma GCC unroll 7
        for (int k = 0; k < 2 * CUBIC - 1; k++, weight *= x) {
            sums[k] += weight;
            if (k < CUBIC) with[k] += weight * d;
        }
    }
    for (int k = 0; k < 2 * CUBIC - 1; k++)
        power[k] = lanes_sum(sums[k]);
    for (int k = 0; k < CUBIC; k++)
        b[k] = lanes_sum(with[k]);
}

/* Least squares over samples [from, to). */
static bool cubic_fit(const struct lane *lane, size_t from, size_t to, bool weighted,
                      struct cubic *q)
{
    double m[CUBIC][CUBIC], b[CUBIC], power[2 * CUBIC - 1];
    cubic_sums(lane, from, to, weighted, q, power, b);
    for (int r = 0; r < CUBIC; r++)
        for (int c = 0; c < CUBIC; c++)
            m[r][c] = power[r + c];
    if (!invert(m)) return false;
    for (int r = 0; r < CUBIC; r++) {
        q->c[r] = 0;
        for (int c = 0; c < CUBIC; c++) {
            q->inverse[r][c] = m[r][c];
            q->c[r] += m[r][c] * b[c];
        }
    }
    return true;
}

/* Depth of the cubic's minimum and its variance in units of a sample's; the minimum lies among the
 * samples, since the lever holds the contact beyond it. */
static bool cubic_minimum(const struct cubic *q, double *depth, double *variance)
{
    double root = q->c[2] * q->c[2] - 3.0 * q->c[1] * q->c[3], g[CUBIC], sum = 0;
    if (!(root > 0)) return false;
    double x = -q->c[1] / (q->c[2] + sqrt(root)); /* the root with upward bend */
    if (!(fabs(x) < 1.5)) return false;
    x = fmin(fmax(x, -1.0), 1.0);
    double bend = 2.0 * q->c[2] + 6.0 * q->c[3] * x;
    if (!(bend > 0)) return false;
    g[0] = 0.0, g[1] = 1.0, g[2] = 2.0 * x, g[3] = 3.0 * x * x;
    for (int i = 0; i < CUBIC; i++)
        for (int j = 0; j < CUBIC; j++)
            sum += g[i] * q->inverse[i][j] * g[j];
    *depth = q->middle + q->half * x;
    *variance = q->half * q->half * sum / (bend * bend);
    return true;
}

/* Depth of the force minimum, which is flat: from a cubic through the samples that carry more than
 * four fifths of the pull-off; with too few of them the lowest sample. */
static size_t find_pull(const struct curve_plan *plan, const struct lane *lane, size_t off,
                        const struct measured *adhesion, struct points *p)
{
    double k = plan->setup.spring_n_per_m, depth, variance;
    double level = -0.8 * adhesion->value;
    size_t lowest = lane->lowest_at; /* not before `off` */
    size_t from = pass_only_below(lane->force, off, lowest, level);
    size_t to = pass_first_not_below(lane->force, lowest + 1, lane->n, level);
    p->z_pull = lane->z[lowest];
    p->d_pull = -adhesion->value / k;
    p->baseline_error = lane_baseline_error(lane, p->z_pull);
    p->var_d_pull = fmax(pow(adhesion->error / k, 2) - pow(p->baseline_error, 2), 0.0);
    double step = lowest + 1 < lane->n ? lane->z[lowest + 1] - lane->z[lowest] : 0.0;
    p->var_z_pull = step * step / 12.0;
    if (to - from < CUBIC_SAMPLES) return to;
    double first = lane->z[from] - lane->flat[from];
    double last = lane->z[to - 1] - lane->flat[to - 1];
    struct cubic q = {.middle = 0.5 * (first + last), .half = 0.5 * (last - first)};
    if (!(q.half > 0) || !cubic_fit(lane, from, to, false, &q) ||
        !cubic_fit(lane, from, to, true, &q) || !cubic_minimum(&q, &depth, &variance))
        return to;
    p->z_pull = depth + p->d_pull;
    p->var_z_pull = variance * lane->noise * lane->noise;
    return to;
}

/* Zero force: a line through the samples around it that carry less than a tenth of the pull-off. */
static bool find_zero(const struct lane *lane, size_t pull, struct points *p)
{
    enum { SIDE = 2 };
    struct line_sums sums = {0};
    size_t at = pass_first_not_below(lane->flat, pull, lane->n, 0.0);
    double window = -0.1 * p->d_pull;
    if (at < pull + SIDE || at + SIDE > lane->n) return false;
    size_t from = at - SIDE, to = at + SIDE;
    /* as many on either side, so that noise does not choose the window's middle */
    while (from > pull + 1 && to < lane->n && fabs(lane->flat[from - 1]) < window &&
           fabs(lane->flat[to]) < window)
        from--, to++;
    sums.z0 = lane->z[at];
    for (size_t i = from; i < to; i++)
        line_add(&sums, lane->z[i], lane->flat[i]);
    struct line l = line_through(&sums, 1);
    if (!(l.slope > 0)) return false;
    double aside = -l.level / l.slope;
    p->z_zero = l.z_mean + aside;
    p->slope = l.slope;
    p->var_z_zero = pow(lane->noise / l.slope, 2) *
                    (1.0 / (double)(to - from) + aside * aside / l.szz);
    return p->z_zero > p->z_pull;
}

/* Relative standard error of K: derivatives of ln |F1| - 1.5 ln(delta0 - delta1). An error of the
 * baseline moves both points. */
static double stiffness_error(const struct points *p)
{
    double apart = p->z_zero - p->z_pull + p->d_pull, force = -p->d_pull;
    double by_depth = 1.5 / apart, by_pull = 1.0 / force + by_depth;
    double by_baseline = 1.0 / force + by_depth * (1.0 - 1.0 / p->slope);
    return sqrt(by_pull * by_pull * p->var_d_pull +
                by_depth * by_depth * (p->var_z_pull + p->var_z_zero) +
                pow(by_baseline * p->baseline_error, 2));
}

/* The radius of a flat punch is no radius of curvature. */
static bool is_punch(const struct curve_plan *plan)
{
    return plan->model == &contact_flat_punch || plan->model == &contact_adhesive_punch;
}

static void measure_two_point(const struct curve_plan *plan, const struct lane *lane, size_t off,
                              struct pixel_result *out)
{
    const struct measured *adhesion = &out->map[MAP_adhesion];
    double radius = plan->setup.radius_m, power;
    struct points p = {0};
    if (off == lane->n || !isfinite(radius) || is_punch(plan)) return;
    if (!(adhesion->value > 0)) return;
    size_t pull = find_pull(plan, lane, off, adhesion, &p);
    if (!find_zero(lane, pull, &p)) return;
    struct two_point at = contact_two_point(radius, adhesion->value, p.z_zero, p.z_pull - p.d_pull);
    double modulus = sample_modulus(plan, at.reduced_modulus_pa, &power);
    set(out, MAP_modulus_two_point, modulus, fabs(modulus * power) * stiffness_error(&p));
    set(out, MAP_work_two_point, at.work_j_per_m2,
        at.work_j_per_m2 * adhesion->error / adhesion->value);
}

/* Tabor's parameter goes as (w/E*)^(2/3). */
static void measure_tabor(const struct curve_plan *plan, const struct contact_fit *fit,
                          struct pixel_result *out)
{
    const struct measured *work = &out->map[MAP_work_of_adhesion];
    double reduced = fit->sample.reduced_modulus_pa, w = work->error;
    bool of_model = plan->model->adhesive && plan->work_from == 0;
    double v_modulus = fit->cov[COV_LN_MODULUS][COV_LN_MODULUS], v_work = pow(w / work->value, 2);
    double both = of_model ? fit->cov[COV_LN_MODULUS][COV_LN_WORK] : 0.0;
    double mu = contact_tabor(plan->setup.radius_m, reduced, work->value, plan->separation_m);
    set(out, MAP_tabor_parameter, mu, 2.0 / 3.0 * mu * sqrt(v_modulus + v_work - 2.0 * both));
    /* of a fitted model; where the recipe only names a relation, the map itself must do */
    bool dmt = of_model && plan->model == &contact_dmt;
    bool jkr = of_model && plan->model == &contact_jkr;
    if ((dmt && mu > plan->limit.tabor_dmt) || (jkr && mu < plan->limit.tabor_jkr))
        out->flags |= FLAG(wrong_transition);
}

void measure_transition(const struct curve_plan *plan, const struct lane *retract, size_t off,
                        const struct contact_fit *fit, struct pixel_result *out)
{
    if (retract) measure_two_point(plan, retract, off, out);
    if (!fit->done) return;
    if (out->map[MAP_work_of_adhesion].value > 0 && !is_punch(plan)) measure_tabor(plan, fit, out);
    if (plan->free_extra && plan->model->adhesive) {
        double lambda = exp(fit->sample.extra);
        set(out, MAP_transition_parameter, lambda, lambda * sqrt(fit->cov[COV_EXTRA][COV_EXTRA]));
    }
}
