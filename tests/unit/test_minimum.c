/* The search takes the global minimum: its sum of squares on noisy curves against the least one
 * over a dense grid of contact points. For each of them what is linear is projected out (QR of GSL)
 * and the model's other unknowns are searched by brute force, by GSL's simplex where there are two.
 * None of the engine's own search takes part, only the choice of samples and the model's curve. */
#include "base/units.h"
#include "curve/fit_private.h"

#include <gsl/gsl_linalg.h>
#include <gsl/gsl_multimin.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#undef fail
#include <cmocka.h>

enum { N = 240, MOST_LINEAR = 3 };
static const double spring = 0.5, peak = 40e-9;

struct bench {
    const struct contact_model *m;
    struct recipe recipe;
    struct curve_plan plan;
    struct curve_work *work;
    struct fit_set set;
    double z[N], d[N];
    double basis[MOST_LINEAR][N]; /* orthonormal, of what is linear */
    size_t n_linear;
    double value[N], slope[N], by_kappa[N], by_extra[N];
};

/* --- curves --- */

static void make_plan(struct bench *b, const char *model)
{
    char text[128];
    struct report rep;
    struct lever lever;
    const enum signal_stage stages[SEG_COUNT] = {STAGE_DEFLECTION, STAGE_DEFLECTION,
                                                 STAGE_DEFLECTION};
    const bool there[SEG_COUNT] = {true, false, true};
    lever_clear(&lever);
    lever.item[LEVER_spring_constant] = (struct known){spring, NAN, "volume"};
    lever.item[LEVER_tip_radius] = (struct known){500e-9, NAN, "volume"};
    lever.item[LEVER_tip_half_angle] = (struct known){0.35, NAN, "volume"};
    lever.item[LEVER_sample_thickness] = (struct known){300e-9, NAN, "volume"};
    lever.item[LEVER_maugis_parameter] = (struct known){0.5, NAN, "volume"};
    snprintf(text, sizeof text, "contact:\n  model: %s\n  noise: white\n  two_depths: no\n", model);
    if (recipe_parse(&b->recipe, text, strlen(text), "test", &rep) != ST_OK)
        fail_msg("%s", rep.text);
    if (curve_plan_make(&b->recipe, &lever, stages, there, &b->plan, &rep) != ST_OK)
        fail_msg("%s", rep.text);
    b->m = b->plan.model;
    b->work = curve_work_new(N);
    assert_non_null(b->work);
}

static void bench_free(struct bench *b)
{
    curve_work_free(b->work);
    curve_plan_free(&b->plan);
    recipe_free(&b->recipe);
    free(b);
    units_close();
}

/* An approach, or a retract with a pull-off of a quarter of the peak, whose depth is `softness`
 * times the lever's deflection. */
static void make_curve(struct bench *b, double softness, double noise, gsl_rng *rng)
{
    const struct contact_setup *s = &b->plan.setup;
    bool retract = b->plan.segment == SEG_RETRACT;
    double pull = b->m->adhesive ? 0.25 * peak : 0, length, kappa;
    double top = peak * (1 + softness), x[N], d[N], shift = gsl_rng_uniform(rng);
    struct contact_sample sample = {.extra = b->m->has_extra ? log(s->transition) : 0};
    b->m->match(s, top, peak, pull, &length, &kappa);
    b->m->physics(s, length, kappa, pull * spring, &sample);
    for (int i = 0; i < N; i++)
        x[i] = top * (-1.3 + 2.3 * (i + shift) / N);
    contact_deflection(b->m, s, &sample, x, N, d);
    for (int i = 0; i < N; i++) {
        int at = retract ? N - 1 - i : i;
        b->z[at] = x[i] + 100e-9;
        b->d[at] = d[i] + 3e-9 + 2e-3 * x[i] + gsl_ran_gaussian(rng, noise);
    }
}

/* From samples to the fit set, as before the fit. @return NULL where there is nothing to fit */
static struct lane *prepare(struct bench *b)
{
    struct raw_curve raw = {.stage = {STAGE_DEFLECTION, STAGE_DEFLECTION, STAGE_DEFLECTION}};
    enum segment_id id = b->plan.segment;
    struct lane *lane = &b->work->lane[id == SEG_RETRACT];
    raw.seg[id] = (struct raw_segment){.n = N, .signal = b->d, .z_m = b->z};
    lane_fill(&b->plan, &raw, id, lane);
    lane_find_baseline(&b->plan, lane);
    lane_set_force(&b->plan, lane);
    if (lane->baseline_end >= lane->n) return NULL;
    if (b->m->adhesive && lane_pull_off(lane) == lane->n) return NULL;
    fit_set_choose(&b->plan, b->work, lane, NAN, &b->set);
    return lane;
}

/* --- the sum of squares, from the model's curve alone --- */

static void make_basis(struct bench *b)
{
    const struct fit_set *set = &b->set;
    b->n_linear = b->m->pull ? 3 : 2;
    gsl_matrix *a = gsl_matrix_alloc(set->n, b->n_linear), *q = gsl_matrix_alloc(set->n, set->n);
    gsl_matrix *r = gsl_matrix_alloc(set->n, b->n_linear);
    gsl_vector *tau = gsl_vector_alloc(b->n_linear);
    for (size_t i = 0; i < set->n; i++) {
        gsl_matrix_set(a, i, 0, 1);
        gsl_matrix_set(a, i, 1, (b->set.z[i] - b->set.z[0]) / set->z_scale);
        if (b->m->pull) gsl_matrix_set(a, i, 2, i >= set->contact);
    }
    gsl_linalg_QR_decomp(a, tau);
    gsl_linalg_QR_unpack(a, tau, q, r);
    for (size_t k = 0; k < b->n_linear; k++)
        for (size_t i = 0; i < set->n; i++)
            b->basis[k][i] = gsl_matrix_get(q, i, k);
    gsl_matrix_free(a);
    gsl_matrix_free(q);
    gsl_matrix_free(r);
    gsl_vector_free(tau);
}

/* inner: ln l and/or ln kappa */
static double cost_at(struct bench *b, double z0, const double *inner)
{
    const struct contact_setup *s = &b->plan.setup;
    struct contact_shape shape = {.setup = s, .kappa = 1};
    double length = b->m->free_length ? exp(*inner++) : b->m->fixed_length(s), sum = 0;
    double t[N], rest[N];
    size_t first = b->set.contact, n = b->set.n;
    if (b->m->free_kappa) shape.kappa = exp(*inner);
    if (b->m->has_extra) shape.extra = log(s->transition);
    if (!b->m->adhesive)
        for (first = 0; first < n && !(b->set.z[first] > z0);)
            first++;
    for (size_t i = first; i < n; i++)
        t[i] = (b->set.z[i] - z0) / length;
    struct contact_columns y = {b->value + first, b->slope + first, b->by_kappa + first,
                                b->by_extra + first};
    if (first < n) b->m->lever(&shape, t + first, n - first, &y);
    for (size_t i = 0; i < n; i++) {
        rest[i] = b->set.y[i] - (i < first ? 0 : length * b->value[i]);
        sum += rest[i] * rest[i];
    }
    for (size_t k = 0; k < b->n_linear; k++) {
        double along = 0;
        for (size_t i = 0; i < n; i++)
            along += b->basis[k][i] * rest[i];
        sum -= along * along;
    }
    return sum;
}

/* --- brute force over the other unknowns --- */

/* One: a coarse scan over twenty decades (l of a power law goes with a high power of E), then
 * golden sections of the best interval. */
static double least_of_one(struct bench *b, double z0, double middle)
{
    enum { COARSE = 32, FINE = 30 };
    const double wide = log(1e10), step = 2 * wide / COARSE, golden = 0.5 * (sqrt(5.0) - 1);
    double best = INFINITY, low = 0;
    for (int i = 0; i <= COARSE; i++) {
        double at = middle - wide + i * step, cost = cost_at(b, z0, &at);
        if (cost < best) best = cost, low = at - step;
    }
    double high = low + 2 * step, left = high - golden * (high - low);
    double right = low + golden * (high - low);
    double at_left = cost_at(b, z0, &left), at_right = cost_at(b, z0, &right);
    for (int i = 0; i < FINE; i++) {
        if (at_left < at_right) {
            high = right, right = left, at_right = at_left;
            left = high - golden * (high - low), at_left = cost_at(b, z0, &left);
        } else {
            low = left, left = right, at_left = at_right;
            right = low + golden * (high - low), at_right = cost_at(b, z0, &right);
        }
    }
    return fmin(best, fmin(at_left, at_right));
}

struct place {
    struct bench *b;
    double z0;
};

static double simplex_cost(const gsl_vector *v, void *context)
{
    struct place *p = context;
    double inner[2] = {gsl_vector_get(v, 0), gsl_vector_get(v, 1)};
    double cost = fabs(inner[0]) < 80 && fabs(inner[1]) < 80 ? cost_at(p->b, p->z0, inner) : 1;
    return isfinite(cost) ? cost : 1;
}

/* Two: the simplex from a start that is left at the end. */
static double least_of_two(struct bench *b, double z0, double start[2])
{
    struct place place = {b, z0};
    gsl_multimin_function f = {simplex_cost, 2, &place};
    gsl_multimin_fminimizer *w = gsl_multimin_fminimizer_alloc(gsl_multimin_fminimizer_nmsimplex2,
                                                               2);
    gsl_vector *x = gsl_vector_alloc(2), *step = gsl_vector_alloc(2);
    gsl_vector_set(x, 0, start[0]);
    gsl_vector_set(x, 1, start[1]);
    gsl_vector_set_all(step, 0.5);
    gsl_multimin_fminimizer_set(w, &f, x, step);
    for (int i = 0; i < 150 && gsl_multimin_fminimizer_size(w) > 1e-5; i++)
        if (gsl_multimin_fminimizer_iterate(w)) break;
    double least = gsl_multimin_fminimizer_minimum(w);
    start[0] = gsl_vector_get(gsl_multimin_fminimizer_x(w), 0);
    start[1] = gsl_vector_get(gsl_multimin_fminimizer_x(w), 1);
    gsl_vector_free(x);
    gsl_vector_free(step);
    gsl_multimin_fminimizer_free(w);
    return least;
}

/* The least sum of squares over contact points: two to each sample, and closer together near the
 * deepest one, where a stiff contact begins. */
static double least_on_the_grid(struct bench *b)
{
    enum { DEEP = 60 };
    const struct fit_set *set = &b->set;
    int both = b->m->free_length && b->m->free_kappa, even = both ? N / 4 : 2 * N;
    /* an adhesive contact begins at the jump, and its contact point lies beyond */
    double low = b->m->adhesive ? set->z_low : b->set.z[0], wide = set->end_z - low,
           deepest = set->end_z - set->end_d;
    double least = INFINITY, warm[2] = {NAN, NAN};
    for (int i = 0; i < even + DEEP; i++) {
        double z0 = i < even ? low + wide * (i + 0.5) / even
                             : deepest - wide * pow(1e-4, (double)(i - even) / DEEP);
        if (z0 < low) continue;
        double length, kappa, past = set->end_z - z0, inner[2];
        if (past < 1.001 * set->end_d) past = 1.001 * set->end_d;
        b->m->match(&b->plan.setup, past, set->end_d, b->m->adhesive ? set->pull_m : 0, &length,
                    &kappa);
        inner[0] = log(b->m->free_length ? length : kappa);
        inner[1] = log(kappa);
        if (!isfinite(inner[0]) || (both && !isfinite(inner[1]))) continue;
        if (!both) {
            least = fmin(least, least_of_one(b, z0, inner[0]));
            continue;
        }
        least = fmin(least, least_of_two(b, z0, inner));
        if (isfinite(warm[0])) least = fmin(least, least_of_two(b, z0, warm));
        memcpy(warm, inner, sizeof warm);
    }
    return least;
}

/* --- the comparison --- */

static double engine_cost(struct bench *b, struct lane *lane)
{
    struct contact_fit fit;
    struct lane before = *lane;
    uint64_t flags = 0;
    contact_fit_run(&b->plan, b->work, lane, &fit, &flags);
    if (!fit.done) return NAN;
    *lane = before;
    lane_set_force(&b->plan, lane); /* the fit has moved the baseline */
    fit_set_choose(&b->plan, b->work, lane, NAN, &b->set);
    double inner[2], pull = b->m->pull ? fit.pull_n / spring : 0;
    inner[0] = log(b->m->free_length ? fit.length : fit.kappa);
    inner[1] = log(fit.kappa);
    return cost_at(b, fit.contact_point - pull, inner);
}

static void compare(const char *model, int curves, double tolerance)
{
    static const double softness[] = {3, 0.6, 0.08}, signal_to_noise[] = {6, 15, 60};
    int compared = 0;
    double worst = 0;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct bench *b = calloc(1, sizeof *b);
    make_plan(b, model);
    for (int i = 0; i < 9 * curves; i++) {
        double snr = signal_to_noise[i % 3], soft = softness[i / 3 % 3];
        make_curve(b, soft, peak / snr, rng);
        struct lane *lane = prepare(b);
        if (!lane) continue; /* nothing stands out of the noise: no fit is made */
        make_basis(b);
        double least = least_on_the_grid(b), ours = engine_cost(b, lane);
        if (!(ours <= least * (1 + tolerance)))
            print_error(
                "%s, signal to noise %g, softness %g, curve %d: sum of squares %.12g times that of "
                "the grid\n",
                model, snr, soft, i, ours / least);
        worst = fmax(worst, ours / least);
        compared++;
        if (isnan(ours)) worst = INFINITY;
    }
    gsl_rng_free(rng);
    print_message("%s: %d curves, largest ratio %.9f\n", model, compared, worst);
    bench_free(b);
    assert_true(compared >= 5 * curves);
    assert_true(worst <= 1 + tolerance);
}

#define ONE(model, curves, tolerance)                                                              \
    static void test_##model(void **unused)                                                        \
    {                                                                                              \
        (void)unused;                                                                              \
        compare(#model, curves, tolerance);                                                        \
    }

ONE(paraboloid, 4, 1e-9)
ONE(cone, 2, 1e-9)
ONE(flat_punch, 2, 1e-9)
ONE(sphere, 1, 1e-9)
ONE(layer_sphere, 1, 1e-9)
ONE(dmt, 4, 1e-9)
/* Two unknowns beside the contact point: towards a contact that hardly gives way the sum of squares
 * is a long flat valley, where the search stops. Largest excess measured: 2.4e-4. */
ONE(jkr, 1, 1e-3)
ONE(maugis, 1, 1e-4)

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_paraboloid),   cmocka_unit_test(test_cone),
        cmocka_unit_test(test_flat_punch),   cmocka_unit_test(test_sphere),
        cmocka_unit_test(test_layer_sphere), cmocka_unit_test(test_dmt),
        cmocka_unit_test(test_jkr),          cmocka_unit_test(test_maugis),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
