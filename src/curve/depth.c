#include "curve/depth.h"

#include <math.h>

enum { FEWEST = 8, SMOOTH = 4, UNKNOWNS = 4 }; /* ln E*, Z0, level and slope of the baseline */

enum status depth_plan(const struct recipe *recipe, struct curve_plan *plan, struct report *rep)
{
    const struct recipe_value *windows = &recipe->v[KEY_depth_windows],
                              *deepest = &recipe->v[KEY_depth_deepest];
    size_t n = (size_t)windows->si;
    if (n == 0 && recipe_means(recipe, KEY_depth_deepest))
        return fail(rep, ST_RECIPE,
                    "line %d: depth.deepest is given, but depth.windows is 0; write how many "
                    "windows there shall be, or remove the line",
                    deepest->line);
    if (n == 0) return ST_OK;
    if (!deepest->given)
        return fail(rep, ST_RECIPE,
                    "line %d: depth.windows asks for %zu windows of indentation; depth.deepest "
                    "must say how deep they reach together (such as 400 nm)",
                    windows->line, n);
    if (plan->model->adhesive || plan->model->has_extra)
        return fail(rep, ST_RECIPE,
                    "line %d: depth.windows: a modulus for each depth needs a model whose modulus "
                    "is its only unknown; the model '%s' has more (write windows: 0, or choose "
                    "another contact.model)",
                    windows->line, plan->model->name);
    if (!(deepest->si > 0))
        return fail(rep, ST_RECIPE, "line %d: depth.deepest must be larger than zero",
                    deepest->line);
    plan->extent.analysis[ANALYSIS_depth] = true;
    plan->extent.length[AXIS_depth] = n;
    for (size_t i = 0; i < n; i++)
        plan->extent.at[AXIS_depth][i] = deepest->si * ((double)i + 0.5) / (double)n;
    return ST_OK;
}

/* The contact's samples: arrays in the workspace that the fit no longer needs. */
struct contact {
    const struct curve_plan *plan;
    const struct lane *lane;
    size_t first;                       /* sample */
    double *depth;                      /* smoothed */
    double *force, *stiff;              /* of the model at the measured indentation */
    double *by_modulus;                 /* dF / d ln E* */
    double inverse[UNKNOWNS][UNKNOWNS]; /* of the normal matrix, for noise of one */
};

static void fill(struct contact *c, const struct contact_fit *fit)
{
    const struct lane *lane = c->lane;
    const struct contact_model *m = c->plan->model;
    struct contact_sample harder = fit->sample;
    const double change = 1e-4;
    harder.reduced_modulus_pa *= 1.0 + change;
    for (size_t i = c->first; i < lane->n; i++) {
        struct contact_state at, other;
        size_t far = lane->n - 1 - i, side = far < SMOOTH ? far : SMOOTH;
        double sum = 0;
        if (side > i) side = i;
        for (size_t k = i - side; k <= i + side; k++)
            sum += lane->flat[k];
        c->depth[i] = lane->z[i] - fit->contact_point - sum / (double)(2 * side + 1);
        m->state(&c->plan->setup, &fit->sample, -lane_separation(lane, i), &at);
        m->state(&c->plan->setup, &harder, -lane_separation(lane, i), &other);
        c->force[i] = at.force_n, c->stiff[i] = at.stiffness_n_per_m;
        c->by_modulus[i] = (other.force_n - at.force_n) / change;
    }
}

/* How the deflection of sample i follows the unknowns of the fit. */
static void jacobian(const struct contact *c, size_t i, double row[UNKNOWNS])
{
    const double k = c->plan->setup.spring_n_per_m;
    bool in = i >= c->first;
    row[0] = in ? c->by_modulus[i] / (k + c->stiff[i]) : 0.0;
    row[1] = in ? -c->stiff[i] / (k + c->stiff[i]) : 0.0;
    row[2] = 1.0;
    row[3] = c->plan->baseline_order ? c->lane->z[i] - c->lane->z_ref : 0.0;
}

/* Gauss and Jordan, diagonal pivots: the matrix is positive definite. */
static bool invert(double a[UNKNOWNS][UNKNOWNS], double out[UNKNOWNS][UNKNOWNS])
{
    for (int i = 0; i < UNKNOWNS; i++)
        for (int j = 0; j < UNKNOWNS; j++)
            out[i][j] = i == j;
    for (int p = 0; p < UNKNOWNS; p++) {
        double pivot = a[p][p];
        if (!(pivot > 0)) return false;
        for (int j = 0; j < UNKNOWNS; j++)
            a[p][j] /= pivot, out[p][j] /= pivot;
        for (int i = 0; i < UNKNOWNS; i++) {
            double share = i == p ? 0.0 : a[i][p];
            for (int j = 0; j < UNKNOWNS; j++)
                a[i][j] -= share * a[p][j], out[i][j] -= share * out[p][j];
        }
    }
    return true;
}

static bool find_inverse(struct contact *c)
{
    double a[UNKNOWNS][UNKNOWNS] = {{0}}, unit[UNKNOWNS] = {1, 1, 1, 1}, row[UNKNOWNS];
    const struct lane *lane = c->lane;
    unit[3] = 1.0 / (lane->z[lane->n - 1] - lane->z[0]);
    for (size_t i = 0; i < lane->n; i++) {
        jacobian(c, i, row);
        for (int p = 0; p < UNKNOWNS; p++)
            for (int q = 0; q < UNKNOWNS; q++)
                a[p][q] += row[p] * row[q] * unit[p] * unit[q];
    }
    if (!c->plan->baseline_order) a[3][3] = 1.0; /* not fitted: its row of the Jacobian is zero */
    /* lengths to pure numbers, so that no pivot is small by its unit */
    if (!invert(a, c->inverse)) return false;
    for (int p = 0; p < UNKNOWNS; p++)
        for (int q = 0; q < UNKNOWNS; q++)
            c->inverse[p][q] *= unit[p] * unit[q];
    return true;
}

/* Quotient of the slopes over samples [from, to), and its variance for noise of one. */
static bool quotient_of(const struct contact *c, size_t from, size_t to, double *quotient,
                        double *variance)
{
    const struct lane *lane = c->lane;
    const double k = c->plan->setup.spring_n_per_m;
    double middle = 0, force = 0, model = 0, by[UNKNOWNS] = {0}, back[UNKNOWNS] = {0}, sum = 0;
    for (size_t i = from; i < to; i++)
        middle += lane->z[i] / (double)(to - from);
    for (size_t i = from; i < to; i++) {
        force += (lane->z[i] - middle) * lane->force[i];
        model += (lane->z[i] - middle) * c->force[i];
    }
    *quotient = force / model;
    if (!(model > 0)) return false;
    for (size_t i = from; i < to; i++) {
        double u = (lane->z[i] - middle) / model, both = u * (k + *quotient * c->stiff[i]);
        by[1] += u * *quotient * c->stiff[i];
        by[2] -= both;
        by[3] -= c->plan->baseline_order ? both * (lane->z[i] - lane->z_ref) : 0.0;
    }
    for (int p = 0; p < UNKNOWNS; p++)
        for (int q = 0; q < UNKNOWNS; q++)
            back[p] += c->inverse[p][q] * by[q];
    for (int p = 0; p < UNKNOWNS; p++)
        sum += by[p] * back[p];
    for (size_t i = from; i < to; i++) {
        double row[UNKNOWNS], through = 0;
        double u = (lane->z[i] - middle) / model, own = u * (k + *quotient * c->stiff[i]);
        jacobian(c, i, row);
        for (int p = 0; p < UNKNOWNS; p++)
            through += row[p] * back[p];
        sum += own * (own + 2.0 * through);
    }
    *variance = sum;
    return sum > 0;
}

static void set_layer(const struct contact *c, const struct contact_fit *fit, size_t layer,
                      double quotient, double error, struct pixel_result *out)
{
    double power,
        modulus = sample_modulus(c->plan, quotient * fit->sample.reduced_modulus_pa, &power);
    out->map[MAP_depth_modulus + layer] = (struct measured){
        modulus, fabs(modulus * power * error / quotient)};
}

void depth_measure(const struct curve_plan *plan, struct curve_work *w, const struct lane *lane,
                   const struct contact_fit *fit, struct pixel_result *out)
{
    if (!plan->extent.analysis[ANALYSIS_depth] || !fit->done || !fit->converged) return;
    struct contact c = {.plan = plan,
                        .lane = lane,
                        .depth = w->reduced,
                        .force = w->columns.value,
                        .stiff = w->columns.slope,
                        .by_modulus = w->columns.by_lnkappa};
    const size_t layers = plan->extent.length[AXIS_depth];
    const double width = 2.0 * plan->extent.at[AXIS_depth][0];
    while (c.first < lane->n && lane->z[c.first] <= fit->contact_point)
        c.first++;
    if (lane->n - c.first < FEWEST) return;
    fill(&c, fit);
    if (!find_inverse(&c)) return;
    /* noise with a memory: as the fit found it for its modulus */
    double white = lane->noise * lane->noise * c.inverse[0][0];
    double memory = fmax(1.0, fit->cov[COV_LN_MODULUS][COV_LN_MODULUS] / white);
    for (size_t layer = 0, from = c.first; layer < layers; layer++) {
        double quotient, variance, end = width * (double)(layer + 1);
        size_t to = from;
        while (to < lane->n && c.depth[to] < end)
            to++;
        if (to == lane->n) break; /* does not reach the window's end */
        if (to - from >= FEWEST && quotient_of(&c, from, to, &quotient, &variance))
            set_layer(&c, fit, layer, quotient, lane->noise * sqrt(memory * variance), out);
        from = to;
    }
}
