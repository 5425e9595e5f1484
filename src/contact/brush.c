/* A brush of chains on an elastic half-space under a paraboloid: both carry the same force, so the
 * indentation is the compression of the brush and the indentation of the body behind it,
 *     delta = lambda ln(1 + F/F_e) + (F/A)^(2/3),   lambda = L/(2 pi),  A = 4/3 E* sqrt(R).
 * The brush's force is the exponential 50 kB T R L Gamma^(3/2) exp(-2 pi D/L) at a distance D of
 * tip and body, less its value F_e at the brush's edge D = L, so that it begins at zero there.
 * With l = (k/A)^2, P = k l, beta = lambda/l and y_e = F_e/P:
 *     u = beta ln(1 + y/y_e) + y^(2/3),   extra = ln beta,   y_e = (2 pi C/k) beta,
 *     C = 50 kB T R Gamma^(3/2) exp(-2 pi) = F_e/L.
 * Where F is large against F_e another Gamma shifts the contact point by 3/2 lambda ln of the
 * quotient and nothing else: a density can hardly be found from such a curve, and is given. */
#include "base/lanes_math.h"
#include "contact/chain.h"
#include "contact/contact.h"
#include "contact/power_law.h"

#include <math.h>

enum { STEPS_MOST = 60 };

static const double temperature_k = 298.15;
static const double range[3] = {-14.0, 5.0, -4.0};

struct series {
    double beta, edge; /* y_e */
};

static double edge_per_length(const struct contact_setup *s)
{
    return 50.0 * BOLTZMANN_J_PER_K * temperature_k * s->radius_m *
           pow(s->brush_density_per_m2, 1.5) * exp(-2.0 * M_PI);
}

static struct series series_of(const struct contact_setup *s, double extra)
{
    double beta = exp(extra);
    return (struct series){beta, 2.0 * M_PI * edge_per_length(s) / s->spring_n_per_m * beta};
}

/* u of y and its derivatives. */
static double depth_of(const struct series *b, double y, double *by_y, double *by_lnbeta)
{
    double log_term = log1p(y / b->edge), root = cbrt(y);
    *by_y = b->beta / (b->edge + y) + 2.0 / (3.0 * root);
    *by_lnbeta = b->beta * (log_term - y / (b->edge + y));
    return b->beta * log_term + root * root;
}

/* A root and how ln y goes on from there. */
struct root {
    double at, y, by_at; /* target, y, d ln y / d target; y = 0: none yet */
};

/* y > 0 with u(y) + more y = target > 0. Each term alone gives a y that is too large; in ln y the
 * left side is convex, so Newton's falls on the root from there, and from below overshoots once. */
static double root_of(const struct series *b, double target, double more, struct root *last)
{
    double y = target * sqrt(target), by_y, unused;
    if (target < 700.0 * b->beta) y = fmin(y, b->edge * expm1(target / b->beta));
    if (more > 0) y = fmin(y, target / more);
    double ahead = (target - last->at) * last->by_at;
    if (last->y > 0 && fabs(ahead) < 0.3) y = fmin(y, last->y * (1.0 + ahead));
    for (int i = 0; i < STEPS_MOST; i++) {
        double over = depth_of(b, y, &by_y, &unused) + more * y - target;
        double step = over / (y * (by_y + more));
        y *= fabs(step) < 0.1 ? 1.0 - step * (1.0 - 0.5 * step) : exp(-step);
        if (fabs(step) <= 1e-8) break; /* quadratic: 1e-16 now */
    }
    *last = (struct root){target, y, 1.0 / (y * (by_y + more))};
    return y;
}

/* One sample after the other. */
static void fill_each(const struct series *b, double more, const double *at, size_t n,
                      struct contact_columns *out)
{
    struct root last = {0};
    for (size_t i = 0; i < n; i++) {
        double by_y, by_lnbeta;
        out->value[i] = out->slope[i] = 0.0;
        if (out->by_extra) out->by_extra[i] = 0.0;
        if (!(at[i] > 0)) continue;
        double y = root_of(b, at[i], more, &last);
        depth_of(b, y, &by_y, &by_lnbeta);
        out->value[i] = y;
        out->slope[i] = 1.0 / (by_y + more);
        if (out->by_extra) out->by_extra[i] = -by_lnbeta / (by_y + more);
    }
}

/* Samples in blocks of fours, step by step, so that a processor works at several at a time. */
enum { BLOCK = 16 };

struct block {
    size_t n, groups;
    lanes at[BLOCK], root[BLOCK]; /* targets, cube roots of y */
    lanes_mask in[BLOCK];
};

/* The start of root_of(), without what the last sample knows. */
LANES_CLONES static void begin_block(const struct series *of, double more, const double *at,
                                     size_t n, struct block *out)
{
    const struct series b = *of;
    const double per_beta = 1.0 / b.beta, per_more = more > 0 ? 1.0 / more : 0.0;
    const lanes one = {1.0, 1.0, 1.0, 1.0}, most = {600.0, 600.0, 600.0, 600.0};
    out->n = n;
    out->groups = (n + LANES - 1) / LANES;
    for (size_t k = 0; k < out->groups; k++) {
        lanes four = one;
        if ((k + 1) * LANES <= n) four = lanes_load(at + k * LANES);
        for (size_t i = k * LANES; (k + 1) * LANES > n && i < n; i++)
            four[i % LANES] = at[i];
        out->in[k] = four > 0.0;
        out->at[k] = lanes_select(out->in[k], four, one);
    }
    for (size_t k = 0; k < out->groups; k++) {
        lanes target = out->at[k], x = lanes_min(target * per_beta, most),
              root = lanes_sqrt(target);
        lanes grown = lanes_select(x < 1e-3, x * (1.0 + 0.5 * x), lanes_exp(x) - 1.0);
        lanes y = b.edge * grown;
        if (more > 0) y = lanes_min(y, target * per_more);
        /* of 1 + y in the place of y, and the same of 1/y below 1: near enough for a start */
        lanes above = lanes_max(y, 1.0 / y);
        lanes third = lanes_exp(lanes_log1p(above) * (1.0 / 3.0));
        out->root[k] = lanes_min(root, lanes_select(y > 1.0, third, 1.0 / third));
    }
}

/* Halley's step in ln y, where all derivatives are positive; no more than twice Newton's. @return
 * whether all were so short that their cubes are nothing */
LANES_CLONES static bool step_block(const struct series *of, double more, struct block *io)
{
    const struct series b = *of;
    const double per_edge = 1.0 / b.edge;
    const lanes most = {3.0, 3.0, 3.0, 3.0};
    lanes_mask large = {0};
    for (size_t k = 0; k < io->groups; k++) {
        lanes root = io->root[k], square = root * root, y = root * square;
        lanes share = y / (b.edge + y); /* d ln(1 + y/edge) / d ln y */
        lanes over = b.beta * lanes_log1p(y * per_edge) + square + more * y - io->at[k];
        lanes slope = b.beta * share + 2.0 / 3.0 * square + more * y;
        lanes bend = b.beta * share * (1.0 - share) + 4.0 / 9.0 * square + more * y;
        lanes below = lanes_max(slope * slope - 0.5 * over * bend, 0.5 * slope * slope);
        lanes step = over * slope / below;
        large |= ~((step < 1e-5) & (step > -1e-5));
        lanes x = lanes_max(lanes_min(step, most), -most) * (1.0 / 3.0), even = 1.0 + x * x / 12.0;
        io->root[k] = root * ((even - 0.5 * x) / (even + 0.5 * x)); /* exp(-x) nearly */
    }
    return !lanes_any(large);
}

LANES_INLINE void store_some(const struct block *b, size_t k, lanes v, double *to)
{
    v = (lanes)((lanes_mask)v & b->in[k]);
    to += k * LANES;
    if ((k + 1) * LANES <= b->n) lanes_store(to, v);
    for (size_t i = 0; (k + 1) * LANES > b->n && i < b->n - k * LANES; i++)
        to[i] = v[i];
}

LANES_CLONES static void columns_of_block(const struct series *of, double more,
                                          const struct block *b, struct contact_columns *out)
{
    const struct series s = *of;
    const double per_edge = 1.0 / s.edge;
    const bool extra = out->by_extra;
    for (size_t k = 0; k < b->groups; k++) {
        lanes root = b->root[k], y = root * root * root, both = s.edge + y;
        lanes per = 1.0 / (root * both);
        lanes slope = 1.0 / (s.beta * root * per + 2.0 / 3.0 * both * per + more);
        store_some(b, k, y, out->value);
        store_some(b, k, slope, out->slope);
        if (!extra) continue;
        lanes by_lnbeta = s.beta * (lanes_log1p(y * per_edge) - y * root * per);
        store_some(b, k, -by_lnbeta * slope, out->by_extra);
    }
}

static void fill(const struct contact_shape *shape, double more, const double *at, size_t n,
                 struct contact_columns *out)
{
    struct series b = series_of(shape->setup, shape->extra);
    struct block block;
    for (size_t i = 0; i < n; i += BLOCK * LANES) {
        size_t some = n - i < BLOCK * LANES ? n - i : BLOCK * LANES;
        struct contact_columns part = {out->value + i, out->slope + i, NULL, NULL};
        bool found = false;
        if (out->by_extra) part.by_extra = out->by_extra + i;
        if (n > 1) begin_block(&b, more, at + i, some, &block);
        for (int step = 0; step < STEPS_MOST && n > 1 && !found; step++)
            found = step_block(&b, more, &block);
        if (found)
            columns_of_block(&b, more, &block, &part);
        else
            fill_each(&b, more, at + i, some, &part);
    }
}

static void brush_force(const struct contact_shape *shape, const double *u, size_t n,
                        struct contact_columns *out)
{
    fill(shape, 0.0, u, n, out);
}

static void brush_lever(const struct contact_shape *shape, const double *t, size_t n,
                        struct contact_columns *out)
{
    fill(shape, 1.0, t, n, out);
}

/* k = A l^(1/2) */
static void brush_physics(const struct contact_setup *s, double length_m, double kappa,
                          double pull_n, struct contact_sample *out)
{
    (void)kappa, (void)pull_n;
    out->reduced_modulus_pa = s->spring_n_per_m / (sqrt(length_m) * paraboloid_factor(s));
    out->work_j_per_m2 = NAN;
}

static void brush_scales(const struct contact_setup *s, const struct contact_sample *sample,
                         double *length_m, double *kappa, double *pull_n)
{
    double root = s->spring_n_per_m / (sample->reduced_modulus_pa * paraboloid_factor(s));
    *length_m = root * root;
    *kappa = 1.0;
    *pull_n = 0.0;
}

/* l at the beta in hand: (x - d)/l = u(d/l), whose left side less the right falls with l; without
 * the brush l would be that of the paraboloid, with it it is shorter. */
static void brush_match(const struct contact_setup *s, double x_m, double deflection_m,
                        double pull_m, double *length_m, double *kappa)
{
    (void)pull_m;
    struct series b = series_of(s, isnan(s->transition) ? range[2] : log(s->transition));
    double high = log(power_law_match(x_m, deflection_m, 1.5)), low = high - 100, a, c;
    for (int i = 0; i < 100 && high - low > 1e-14; i++) {
        double middle = 0.5 * (low + high), l = exp(middle);
        if (depth_of(&b, deflection_m / l, &a, &c) > (x_m - deflection_m) / l)
            high = middle;
        else
            low = middle;
    }
    *length_m = exp(0.5 * (low + high));
    *kappa = 1.0;
}

static void brush_state(const struct contact_setup *s, const struct contact_sample *sample,
                        double depth_m, struct contact_state *out)
{
    double length, kappa, pull, by_y, unused;
    struct root none = {0};
    struct series b = series_of(s, sample->extra);
    *out = (struct contact_state){0, 0, 0};
    if (!(depth_m > 0)) return;
    brush_scales(s, sample, &length, &kappa, &pull);
    double y = root_of(&b, depth_m / length, 0.0, &none);
    depth_of(&b, y, &by_y, &unused);
    out->force_n = s->spring_n_per_m * length * y;
    out->stiffness_n_per_m = s->spring_n_per_m / by_y;
    out->contact_radius_m = sqrt(s->radius_m * length) * cbrt(y); /* of the body: a^2 = R delta */
}

const struct contact_model contact_brush = {
    .name = "brush",
    .title = "brush of chains on an elastic body, paraboloid",
    .formula = "delta = (L/2pi) ln(1 + F/F_e) + (F/A)^(2/3), A = 4/3 E* sqrt(R), F_e = 50 kB T R L "
               "Gamma^(3/2) exp(-2 pi)",
    .source =
        "S. Alexander, J. Phys. (Paris) 38 (1977) 983; P.-G. de Gennes, Adv. Colloid Interface "
        "Sci. 27 (1987) 189; as an exponential under a sphere: S. J. O'Shea, M. E. Welland, T. "
        "Rayment, Langmuir 9 (1993) 1826, H.-J. Butt et al., Langmuir 15 (1999) 2559; in series "
        "with a cell: S. Iyer et al., Nat. Nanotechnol. 4 (2009) 389 (all from memory; the series "
        "is derived)",
    .limits = "quasi-static; the exponential is good for 0.2 to 0.9 of the brush's length (from "
              "memory); depth and brush well below R; the density of the brush can hardly be found "
              "and is given: twice as much moves the contact point by about L/6, and E and L by 5 "
              "to 7 %",
    .needs = NEEDS(tip_radius) | NEEDS(grafting_density),
    .segments = SEGMENT_APPROACH | SEGMENT_RETRACT,
    .paraboloid = true,
    .free_length = true,
    .has_extra = true,
    .modulus_power = {-0.5, 0.0},
    .extra_range = range,
    .force = brush_force,
    .lever = brush_lever,
    .physics = brush_physics,
    .scales = brush_scales,
    .match = brush_match,
    .state = brush_state,
};
