/* JKR sphere. With the contact radius at zero force a0, a0^3 = 6 pi w R^2 / K, K = 4/3 E*, and
 * s = sqrt(a / a0):
 *     u = delta / l = s^4 - 2/3 s,   l = a0^2 / R
 *     f = F / P     = s^6 - s^3,     P = 4 F_ad = 6 pi w R
 * so the lever's displacement is a polynomial in s: t = u + kappa f, kappa = P / (k l).
 * K = kappa k / sqrt(R l). The stable branch ends where dt/ds = 0. */
#include "base/lanes.h"
#include "contact/contact.h"

#include <math.h>

/* The stable branch at one kappa, as what lies beyond its end: with w = s - end
 *     t - t_end = h(w) = w^2 (A + B w + C w^2 + D w^3 + E w^4),
 * all of one sign, so that nothing cancels where the slope of y has no bound. */
struct branch {
    double kappa, end, t_end, a, b, c, d, e;
    double root_a, root_c; /* square roots of A and C */
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

LANES_INLINE bool any(lanes_mask m)
{
    return m[0] | m[1] | m[2] | m[3];
}

LANES_INLINE lanes root_of(lanes x)
{
    lanes v;
    for (int i = 0; i < LANES; i++)
        v[i] = sqrt(x[i]);
    return v;
}

/* Four roots of h(w) = x > 0. The start is the root of sqrt(A) w + sqrt(C) w^2 = sqrt(x), which is
 * good to 4 % up to w = 1, for kappa = 0 everywhere; then Halley's steps, which cube the error and
 * come to the root from everywhere, since h and its derivatives are positive. */
LANES_INLINE lanes roots_of_four(const struct branch *q, lanes x)
{
    enum { STEPS = 100 };
    lanes v = root_of(x);
    lanes w = 2.0 * v / (q->root_a + root_of(q->a + 4.0 * q->root_c * v));
    for (int i = 0; i < STEPS; i++) {
        lanes h = q->a + w * (q->b + w * (q->c + w * (q->d + w * q->e)));
        lanes slope = 2.0 * q->a +
                      w * (3.0 * q->b + w * (4.0 * q->c + w * (5.0 * q->d + w * 6.0 * q->e)));
        lanes bend = q->a +
                     w * (3.0 * q->b + w * (6.0 * q->c + w * (10.0 * q->d + w * 15.0 * q->e)));
        lanes rest = w * w * h - x;
        slope *= w;
        lanes step = rest * slope / (slope * slope - rest * bend);
        w -= step;
        if (!any((step > 5e-5 * w) | (step < -5e-5 * w))) break; /* cubed: 4e-13 at most */
    }
    return w;
}

/* Four samples: y = value of f, its derivatives by s and that of u. Out of contact x is tiny. */
struct four {
    lanes_mask in;
    lanes f, f_s, u_s, per_t_s;
};

LANES_INLINE struct four contact_of_four(const struct branch *q, lanes t)
{
    const lanes tiny = {1e-280, 1e-280, 1e-280, 1e-280};
    struct four out = {.in = t > q->t_end};
    lanes w = roots_of_four(q, lanes_select(out.in, t - q->t_end, tiny));
    lanes s = q->end + w, s2 = s * s, s3 = s2 * s;
    out.f = s3 * (s3 - 1.0);
    out.f_s = s2 * (6.0 * s3 - 3.0);
    out.u_s = 4.0 * s3 - 2.0 / 3.0;
    out.per_t_s = 1.0 /
                  (w * (2.0 * q->a +
                        w * (3.0 * q->b + w * (4.0 * q->c + w * (5.0 * q->d + w * 6.0 * q->e)))));
    return out;
}

/* @return how many of them there are */
LANES_INLINE size_t load_some(const double *from, size_t n, lanes *out)
{
    size_t m = n < LANES ? n : LANES;
    *out = (lanes){0};
    if (m == LANES) *out = lanes_load(from);
    for (size_t i = 0; m < LANES && i < m; i++)
        (*out)[i] = from[i];
    return m;
}

LANES_INLINE void store_some(double *to, size_t m, lanes v)
{
    if (m == LANES) lanes_store(to, v);
    for (size_t i = 0; m < LANES && i < m; i++)
        to[i] = v[i];
}

LANES_INLINE lanes zero_out_of(lanes_mask in, lanes v)
{
    return (lanes)((lanes_mask)v & in);
}

LANES_CLONES static void lever_along(const struct branch *q, const double *t, size_t n,
                                     struct contact_columns *out)
{
    for (size_t i = 0; i < n; i += LANES) {
        lanes four;
        size_t m = load_some(t + i, n - i, &four);
        struct four c = contact_of_four(q, four);
        lanes per = q->kappa * c.per_t_s; /* dy/dk at fixed t = f - kappa f_s f / t_s */
        store_some(out->value + i, m, q->kappa * c.f);
        store_some(out->slope + i, m, zero_out_of(c.in, c.f_s * per));
        store_some(out->by_lnkappa + i, m, zero_out_of(c.in, c.f * c.u_s * per));
    }
}

LANES_CLONES static void force_along(const struct branch *q, const double *u, size_t n,
                                     struct contact_columns *out)
{
    for (size_t i = 0; i < n; i += LANES) {
        lanes four;
        size_t m = load_some(u + i, n - i, &four);
        struct four c = contact_of_four(q, four);
        store_some(out->value + i, m, c.f);
        store_some(out->slope + i, m, zero_out_of(c.in, c.f_s * c.per_t_s));
    }
}

static void jkr_lever(const struct contact_shape *shape, const double *t, size_t n,
                      struct contact_columns *out)
{
    const struct branch q = branch_of(shape->kappa);
    lever_along(&q, t, n, out);
}

/* Force at fixed indentation: the branch that a stiff lever follows, down to s^3 = 1/6. It is the
 * same curve for every contact. */
static void jkr_force(const struct contact_shape *shape, const double *u, size_t n,
                      struct contact_columns *out)
{
    (void)shape;
    const struct branch q = branch_of(0.0);
    force_along(&q, u, n, out);
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
    const struct branch q = branch_of(0.0);
    jkr_scales(s, sample, &length, &kappa, &pull_n);
    double u = depth_m / length, scale = kappa * s->spring_n_per_m; /* P / l */
    *out = (struct contact_state){0};
    if (u < q.t_end * (1.0 + 1e-12)) return;
    lanes x = {0};
    x += fmax(u - q.t_end, 1e-280);
    double w = roots_of_four(&q, x)[0], root = q.end + w, s3 = root * root * root;
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
