/* JKR sphere. With the contact radius at zero force a0, a0^3 = 6 pi w R^2 / K, K = 4/3 E*, and
 * s = sqrt(a / a0):
 *     u = delta / l = s^4 - 2/3 s,   l = a0^2 / R
 *     f = F / P     = s^6 - s^3,     P = 4 F_ad = 6 pi w R
 * so the lever's displacement is a polynomial in s: t = u + kappa f, kappa = P / (k l).
 * K = kappa k / sqrt(R l). The stable branch ends where dt/ds = 0. */
#include "base/lanes_math.h"
#include "contact/contact.h"

#include <math.h>

/* The stable branch at one kappa, as what lies beyond its end: with w = s - end
 *     t - t_end = h(w) = w^2 (A + B w + C w^2 + D w^3 + E w^4),
 * all of one sign, so that nothing cancels where the slope of y has no bound. */
enum { TERMS = 8 };
struct branch {
    double kappa, end, t_end, a, b, c, d, e;
    double root_a, root_c; /* square roots of A and C */
    /* where there is a start curve: w/v = sum start[m] x^m, v = sqrt(t - t_end),
     * x = v/(v + knee) per_half - 1; a number of samples pays for it */
    double knee, per_half, start[TERMS];
};

static double ramp(double s, double kappa)
{
    double s3 = s * s * s;
    return s * (s3 - 2.0 / 3.0) + kappa * s3 * (s3 - 1.0);
}

/* End of the stable branch: between the fixed-displacement end, s^3 = 1/6 (kappa -> 0), and the
 * force minimum, s^3 = 1/2 (kappa -> infinity). Newton on dt/ds = 0 from a quotient that is good to
 * 1 % and right in both limits. */
static double branch_end(double kappa)
{
    const double soft = 0.55032120814910444731, stiff = 0.79370052598409973738; /* cube roots */
    double k = kappa < 1e100 ? kappa : 1e100;
    double s = (soft + k * (0.881 + k * 0.806 * stiff)) / (1.0 + k * (1.3 + k * 0.806));
    for (int i = 0; i < 100; i++) {
        double s2 = s * s, s3 = s2 * s;
        double slope = 4.0 * s3 - 2.0 / 3.0 + k * s2 * (6.0 * s3 - 3.0);
        double step = slope / (12.0 * s2 + k * s * (30.0 * s3 - 6.0));
        s -= step;
        if (fabs(step) <= 1e-8 * s) break; /* quadratic: the error is now 1e-16 */
    }
    return s;
}

static struct branch branch_of(double kappa)
{
    double s = branch_end(kappa), s2 = s * s, s3 = s2 * s;
    struct branch b = {.kappa = kappa,
                       .end = s,
                       .t_end = ramp(s, kappa),
                       .a = s * (6.0 * s + kappa * (15.0 * s3 - 3.0)),
                       .b = 4.0 * s + kappa * (20.0 * s3 - 1.0),
                       .c = 1.0 + 15.0 * kappa * s2,
                       .d = 6.0 * kappa * s,
                       .e = kappa};
    b.root_a = sqrt(b.a), b.root_c = sqrt(b.c);
    return b;
}

/* dh/dw over w. `still`: kappa = 0, so D = E = 0. */
LANES_INLINE lanes slope_of(const struct branch *q, bool still, lanes w)
{
    if (still) return 2.0 * q->a + w * (3.0 * q->b + w * (4.0 * q->c));
    return 2.0 * q->a + w * (3.0 * q->b + w * (4.0 * q->c + w * (5.0 * q->d + w * (6.0 * q->e))));
}

/* One step of Halley's to the root of h(w) = x, which cubes the error. It comes to the root from
 * everywhere, since h and its derivatives are positive. */
LANES_INLINE lanes step_of(const struct branch *q, bool still, lanes x, lanes w)
{
    lanes h = q->c + w * (q->d + w * q->e),
          bend = 6.0 * q->c + w * (10.0 * q->d + w * (15.0 * q->e));
    if (still) h = q->c + 0.0 * w, bend = 6.0 * q->c + 0.0 * w;
    h = q->a + w * (q->b + w * h), bend = q->a + w * (3.0 * q->b + w * bend);
    lanes rest = w * w * h - x, slope = w * slope_of(q, still, w);
    return rest * slope / (slope * slope - rest * bend);
}

/* The root of sqrt(A) w + sqrt(C) w^2 = v: within 4 % of that of h(w) = v^2 up to w = 1, for kappa
 * = 0 everywhere. */
LANES_INLINE lanes guess_of(const struct branch *q, lanes v)
{
    return 2.0 * v / (q->root_a + lanes_sqrt(q->a + 4.0 * q->root_c * v));
}

/* Polynomials that are one at one of Chebyshev's points and zero at the others. */
static double point[TERMS], basis[TERMS][TERMS];

static void make_basis(void)
{
    for (int j = 0; j < TERMS; j++)
        point[j] = cos(M_PI * (j + 0.5) / TERMS);
    for (int j = 0; j < TERMS; j++) {
        double *c = basis[j];
        c[0] = 1.0;
        for (int k = 0; k < TERMS; k++) {
            double per = 1.0 / (point[j] - point[k]);
            if (k == j) continue;
            for (int m = TERMS - 1; m >= 0; m--)
                c[m] = ((m ? c[m - 1] : 0.0) - point[k] * c[m]) * per;
        }
    }
}

/* Exact in Chebyshev's points of v/(v + knee) up to the largest t; between them within 1e-6 up to
 * s = 1.5, 4e-4 up to 3. */
LANES_CLONES static void make_start(struct branch *q, double t_most)
{
    double most = sqrt(t_most - q->t_end);
    lanes sum[TERMS / LANES] = {0};
    q->knee = q->root_a + 0.05 * most;
    q->per_half = 2.0 * (most + q->knee) / most;
    for (int j = 0; j < TERMS; j += LANES) {
        lanes share = (lanes_load(point + j) + 1.0) / q->per_half;
        lanes v = q->knee * share / (1.0 - share), x = v * v, w = guess_of(q, v), per;
        for (int i = 0; i < 3; i++)
            w -= step_of(q, false, x, w);
        per = w / v;
        for (int k = 0; k < LANES; k++)
            for (int m = 0; m < TERMS / LANES; m++)
                sum[m] += per[k] * lanes_load(basis[j + k] + m * LANES);
    }
    for (int m = 0; m < TERMS / LANES; m++)
        lanes_store(q->start + m * LANES, sum[m]);
}

/* A start curve costs as much as it saves on some sixty samples. */
static void start_for(struct branch *q, const double *t, size_t n)
{
    enum { FEW = 64 };
    double most;
    if (n < FEW) return;
    if (point[0] == 0) make_basis();
    most = fmax(t[0], t[n - 1]);
    if (most > q->t_end && isfinite(most)) make_start(q, most);
}

/* Samples pass through in blocks, step by step, so that a processor works at several of them at a
 * time. Out of contact x is tiny. */
enum { BLOCK = 16 };
#define TINY 1e-280

struct block {
    size_t groups; /* of four samples */
    lanes x[BLOCK], w[BLOCK];
};

/* The one curve at fixed depth. */
#define END 0.55032120814910444731 /* cube root of 1/6 */
static const struct branch still_branch = {
    .end = END, .t_end = -0.5 * END, .a = 6.0 * END * END, .b = 4.0 * END, .c = 1.0};

/* w/v there as a quotient of polynomials in v, good to 1.2e-5 up to v = 64, s = 8 (fitted to the
 * exact root). */
LANES_INLINE lanes still_start(lanes v)
{
    static const double above[] = {0.741828022, 0.664918272, 0.110892794, 0.00314233532,
                                   7.09977818e-06},
                        below[] = {1.0, 1.34532886, 0.401969339, 0.025607845, 0.000233855933};
    return v * lanes_polynomial(above, 5, v) / lanes_polynomial(below, 5, v);
}

/* Samples of t, and starts of their roots. */
LANES_INLINE void begin_block(const struct branch *of, bool still, const double *t, size_t n,
                              struct block *out)
{
    const struct branch q = *of; /* a copy, which stores into the block cannot change */
    const lanes none = {TINY, TINY, TINY, TINY};
    size_t some = n < BLOCK * LANES ? n : BLOCK * LANES;
    out->groups = (some + LANES - 1) / LANES;
    for (size_t i = 0; i < out->groups; i++) {
        lanes at = {0};
        if (n >= (i + 1) * LANES)
            at = lanes_load(t + i * LANES);
        else
            for (size_t k = 0; k < n - i * LANES; k++)
                at[k] = t[i * LANES + k];
        at -= q.t_end;
        out->x[i] = lanes_select(at > TINY, at, none);
    }
    for (size_t i = 0; still && i < out->groups; i++)
        out->w[i] = still_start(lanes_sqrt(out->x[i]));
    for (size_t i = 0; !still && i < out->groups && q.per_half > 0; i++) {
        lanes v = lanes_sqrt(out->x[i]), at = v / (v + q.knee) * q.per_half - 1.0;
        out->w[i] = v * lanes_polynomial(q.start, TERMS, at);
    }
    for (size_t i = 0; !still && i < out->groups && !(q.per_half > 0); i++)
        out->w[i] = guess_of(&q, lanes_sqrt(out->x[i]));
}

LANES_INLINE void find_roots(const struct branch *of, bool still, struct block *io)
{
    enum { STEPS = 100 };
    const struct branch q = *of;
    for (int i = 0; i < STEPS; i++) {
        lanes_mask large = {0};
        for (size_t k = 0; k < io->groups; k++) {
            lanes w = io->w[k], step = step_of(&q, still, io->x[k], w);
            io->w[k] = w -= step;
            large |= (step > 5e-5 * w) | (step < -5e-5 * w); /* cubed: 4e-13 at most */
        }
        if (!lanes_any(large)) break;
    }
}

LANES_INLINE void store_some(double *to, size_t n, lanes v)
{
    if (n >= LANES) lanes_store(to, v);
    for (size_t i = 0; n < LANES && i < n; i++)
        to[i] = v[i];
}

/* f, its derivative by s and that of u at a root; 1/(dt/ds). */
struct four {
    lanes f, f_s, u_s, per_t_s;
};

LANES_INLINE struct four contact_of_four(const struct branch *q, bool still, lanes w)
{
    lanes s = q->end + w, s2 = s * s, s3 = s2 * s;
    return (struct four){s3 * (s3 - 1.0), s2 * (6.0 * s3 - 3.0), 4.0 * s3 - 2.0 / 3.0,
                         1.0 / (w * slope_of(q, still, w))};
}

LANES_CLONES static void lever_along(const struct branch *of, const double *t, size_t n,
                                     struct contact_columns *out)
{
    const struct branch q = *of;
    double *y = out->value, *y_t = out->slope, *y_lnkappa = out->by_lnkappa;
    struct block b;
    for (size_t from = 0; from < n; from += BLOCK * LANES) {
        begin_block(of, false, t + from, n - from, &b);
        find_roots(of, false, &b);
        for (size_t k = 0; k < b.groups; k++) {
            size_t i = from + k * LANES;
            struct four c = contact_of_four(&q, false, b.w[k]);
            lanes_mask in = b.x[k] > TINY;
            lanes per = q.kappa * c.per_t_s; /* dy/dk at fixed t = f - kappa f_s f / t_s */
            store_some(y + i, n - i, q.kappa * c.f);
            store_some(y_t + i, n - i, (lanes)((lanes_mask)(c.f_s * per) & in));
            store_some(y_lnkappa + i, n - i, (lanes)((lanes_mask)(c.f * c.u_s * per) & in));
        }
    }
}

LANES_CLONES static void force_along(const double *u, size_t n, struct contact_columns *out)
{
    const struct branch *q = &still_branch;
    double *f = out->value, *f_u = out->slope;
    struct block b;
    for (size_t from = 0; from < n; from += BLOCK * LANES) {
        begin_block(q, true, u + from, n - from, &b);
        find_roots(q, true, &b);
        for (size_t k = 0; k < b.groups; k++) {
            size_t i = from + k * LANES;
            struct four c = contact_of_four(q, true, b.w[k]);
            store_some(f + i, n - i, c.f);
            store_some(f_u + i, n - i, (lanes)((lanes_mask)(c.f_s * c.per_t_s) & (b.x[k] > TINY)));
        }
    }
}

static void jkr_lever(const struct contact_shape *shape, const double *t, size_t n,
                      struct contact_columns *out)
{
    struct branch q = branch_of(shape->kappa);
    start_for(&q, t, n);
    lever_along(&q, t, n, out);
}

/* Force at fixed indentation: the branch that a stiff lever follows, down to s^3 = 1/6. It is the
 * same curve for every contact. */
static void jkr_force(const struct contact_shape *shape, const double *u, size_t n,
                      struct contact_columns *out)
{
    (void)shape;
    force_along(u, n, out);
}

static void jkr_physics(const struct contact_setup *s, double length_m, double kappa, double pull_n,
                        struct contact_sample *out)
{
    (void)pull_n;
    out->reduced_modulus_pa = 0.75 * kappa * s->spring_n_per_m / sqrt(s->radius_m * length_m);
    out->work_j_per_m2 = kappa * s->spring_n_per_m * length_m / (6.0 * M_PI * s->radius_m);
}

static void jkr_scales(const struct contact_setup *s, const struct contact_sample *sample,
                       double *length_m, double *kappa, double *pull_n)
{
    double big_k = 4.0 / 3.0 * sample->reduced_modulus_pa, work = sample->work_j_per_m2;
    double a0 = cbrt(6.0 * M_PI * work * s->radius_m * s->radius_m / big_k);
    *length_m = a0 * a0 / s->radius_m;
    *kappa = 6.0 * M_PI * work * s->radius_m / (s->spring_n_per_m * *length_m);
    *pull_n = 0.0;
}

/* a(F) in closed form: (a/a0)^3 = (F + 2 F_ad + 2 sqrt(F_ad (F + F_ad))) / (4 F_ad) gives s at the
 * matched point, and delta = l (s^4 - 2/3 s) gives l. */
static void jkr_match(const struct contact_setup *s, double x_m, double deflection_m, double pull_m,
                      double *length_m, double *kappa)
{
    (void)s;
    double cube = (deflection_m + 2.0 * pull_m + 2.0 * sqrt(pull_m * (deflection_m + pull_m))) /
                  (4.0 * pull_m);
    double a = cbrt(cube), u = a * a - 2.0 / 3.0 * sqrt(a);
    *length_m = (x_m - deflection_m) / u;
    *kappa = 4.0 * pull_m / *length_m;
}

static void jkr_state(const struct contact_setup *s, const struct contact_sample *sample,
                      double depth_m, struct contact_state *out)
{
    double length, kappa, pull_n;
    const struct branch *q = &still_branch;
    jkr_scales(s, sample, &length, &kappa, &pull_n);
    double u = depth_m / length, scale = kappa * s->spring_n_per_m; /* P / l */
    *out = (struct contact_state){0};
    if (u < q->t_end * (1.0 + 1e-12)) return;
    lanes x = {0};
    x += fmax(u - q->t_end, TINY);
    struct block b = {1, {x}, {still_start(lanes_sqrt(x))}};
    find_roots(q, true, &b);
    double root = q->end + b.w[0][0], s3 = root * root * root;
    out->force_n = scale * length * s3 * (s3 - 1.0);
    out->stiffness_n_per_m = scale * root * root * (6.0 * s3 - 3.0) / (4.0 * s3 - 2.0 / 3.0);
    out->contact_radius_m = root * root * sqrt(length * s->radius_m);
}

const struct contact_model contact_jkr = {
    .name = "jkr",
    .title = "JKR sphere: soft, large, strongly adhesive contacts",
    .formula = "F = 4 E* a^3/(3 R) - sqrt(8 pi E* w a^3), delta = a^2/R - sqrt(2 pi a w/E*)",
    .source =
        "K. L. Johnson, K. Kendall, A. D. Roberts, Proc. R. Soc. A 324 (1971) 301; D. Maugis, J. "
        "Colloid Interface Sci. 150 (1992) 243",
    .limits =
        "Tabor parameter above about 5 (K. L. Johnson, J. A. Greenwood, J. Colloid Interface Sci. "
        "192 (1997) 326, from memory); contact radius well below R",
    .needs = NEEDS(tip_radius),
    .segments = SEGMENT_RETRACT,
    .adhesive = true,
    .paraboloid = true,
    .free_length = true,
    .free_kappa = true,
    .modulus_power = {-0.5, 1.0},
    .work_power = {1.0, 1.0},
    .force = jkr_force,
    .lever = jkr_lever,
    .physics = jkr_physics,
    .scales = jkr_scales,
    .match = jkr_match,
    .state = jkr_state,
};
