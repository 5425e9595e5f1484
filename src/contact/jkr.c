/* JKR sphere. With the contact radius at zero force a0, a0^3 = 6 pi w R^2 / K, K = 4/3 E*, and
 * s = sqrt(a / a0):
 *     u = delta / l = s^4 - 2/3 s,   l = a0^2 / R
 *     f = F / P     = s^6 - s^3,     P = 4 F_ad = 6 pi w R
 * so the lever's displacement is a polynomial in s: t = u + kappa f, kappa = P / (k l).
 * K = kappa k / sqrt(R l). The stable branch ends where dt/ds = 0. */
#include "base/lanes.h"
#include "contact/contact.h"

#include <math.h>

/* dt/ds and its derivative. */
static double ramp_slope(double s, double kappa)
{
    double s2 = s * s, s3 = s2 * s;
    return 4.0 * s3 - 2.0 / 3.0 + kappa * s2 * (6.0 * s3 - 3.0);
}

static double ramp_curvature(double s, double kappa)
{
    double s2 = s * s;
    return 12.0 * s2 + kappa * s * (30.0 * s2 * s - 6.0);
}

static double ramp(double s, double kappa)
{
    double s3 = s * s * s;
    return s * (s3 - 2.0 / 3.0) + kappa * s3 * (s3 - 1.0);
}

/* End of the stable branch: between the fixed-displacement end, s^3 = 1/6 (kappa -> 0), and the
 * force minimum, s^3 = 1/2 (kappa -> infinity). Newton from above; the slope is convex there. */
static double branch_end(double kappa)
{
    double s = 0.79370052598409973738; /* (1/2)^(1/3) */
    for (int i = 0; i < 100; i++) {
        double step = ramp_slope(s, kappa) / ramp_curvature(s, kappa);
        s -= step;
        if (fabs(step) <= 1e-15 * s) break;
    }
    return s;
}

/* Root of ramp(s) = t right of the branch's end: convex, so Newton from the right falls on it. */
static double root_from(double s, double t, double kappa, double end)
{
    for (int i = 0; i < 200; i++) {
        double step = (ramp(s, kappa) - t) / ramp_slope(s, kappa);
        s -= step;
        if (s < end) s = end + 0.5 * (s + step - end);
        if (fabs(step) <= 1e-9 * s) break;
    }
    return s;
}

/* A point right of the root: t >= s^4 - 2/3 s alone bounds s from above when f >= 0 (s >= 1). */
static double right_of_root(double t, double kappa)
{
    double s = 1.0;
    if (t > 1.0 / 3.0) s = sqrt(sqrt(t + 1.0)) + 1.0;
    while (ramp(s, kappa) < t)
        s *= 1.5;
    return s;
}

/* A point right of the root to begin at: s(t) bends downwards, so the tangent at the last root lies
 * there, if that one was deeper. */
static double root_near(double last, double t_of_last, double t, double kappa, double end)
{
    double start;
    if (!(last > 0) || t > t_of_last) return root_from(right_of_root(t, kappa), t, kappa, end);
    start = last + (t - t_of_last) / ramp_slope(last, kappa);
    return root_from(start > end ? start : last, t, kappa, end);
}

/* s as a polynomial of v = (t - t_end)^(1/4), in which it is smooth over the whole branch: exact in
 * Chebyshev's points of [0, largest v], a good start in between. */
enum { TERMS = 10 };
struct start_curve {
    double end, t_end, per_half; /* x = v per_half - 1 */
    double c[TERMS];
};

static void make_start_curve(double kappa, double end, double t_end, double t_most,
                             struct start_curve *out)
{
    double root[TERMS], s = 0, t_of_s = -1, widest = sqrt(sqrt(t_most - t_end));
    static double cosine[2 * TERMS]; /* cos(pi k / (2 TERMS)), k < 2 TERMS, by halves below */
    if (cosine[0] == 0)
        for (int k = 2 * TERMS; k-- > 0;)
            cosine[k] = cos(M_PI * k / (2 * TERMS));
    out->end = end, out->t_end = t_end, out->per_half = 2.0 / widest;
    for (int j = 0; j < TERMS; j++) { /* from deep to shallow */
        double v = 0.5 * widest * (1.0 + cosine[2 * j + 1]), t = t_end + v * v * v * v;
        s = root_near(s, t_of_s, t, kappa, end);
        root[j] = s, t_of_s = t;
    }
    for (int m = 0; m < TERMS; m++) {
        double sum = 0;
        for (int j = 0; j < TERMS; j++) {
            int k = m * (2 * j + 1) % (4 * TERMS), fold = k < 2 * TERMS ? k : 4 * TERMS - k;
            sum += root[j] * (fold == 2 * TERMS ? -1.0 : cosine[fold]);
        }
        out->c[m] = sum * (m ? 2.0 : 1.0) / TERMS;
    }
}

/* Four roots: the start curve (Clenshaw's sum), then steps of Halley's until the last one is so
 * short that its cube is rounding. @return false where that does not come about */
LANES_INLINE bool roots_of_four(const struct start_curve *q, double kappa, lanes t, lanes *root)
{
    lanes v, x, b1 = {0}, b2 = {0};
    for (int i = 0; i < LANES; i++)
        v[i] = sqrt(sqrt(t[i] - q->t_end));
    x = 2.0 * (v * q->per_half - 1.0);
    for (int m = TERMS - 1; m > 0; m--) {
        lanes b0 = q->c[m] + x * b1 - b2;
        b2 = b1, b1 = b0;
    }
    lanes s = q->c[0] + 0.5 * x * b1 - b2;
    for (int i = 0; i < 4; i++) {
        lanes s2 = s * s, s3 = s2 * s;
        lanes rest = s * (s3 - 2.0 / 3.0) + kappa * s3 * (s3 - 1.0) - t;
        lanes slope = 4.0 * s3 - 2.0 / 3.0 + kappa * s2 * (6.0 * s3 - 3.0);
        lanes bend = 12.0 * s2 + kappa * s * (30.0 * s3 - 6.0);
        lanes step = rest * slope / (slope * slope - 0.5 * rest * bend);
        s -= step;
        lanes_mask large = (step > 3e-5 * s) | (step < -3e-5 * s) | (step != step);
        if (!(large[0] | large[1] | large[2] | large[3])) {
            *root = s;
            lanes_mask off = s < q->end;
            return !(off[0] | off[1] | off[2] | off[3]);
        }
    }
    return false;
}

/* What the lever carries at roots s. */
LANES_INLINE void columns_of_four(double kappa, lanes s, lanes *y, lanes *y_t, lanes *y_lnkappa)
{
    lanes s2 = s * s, s3 = s2 * s, f = s3 * (s3 - 1.0);
    lanes f_s = s2 * (6.0 * s3 - 3.0), u_s = 4.0 * s3 - 2.0 / 3.0;
    lanes per = kappa / (u_s + kappa * f_s);
    *y = kappa * f;
    *y_t = f_s * per;
    *y_lnkappa = f * u_s * per; /* dy/dk at fixed t = f - kappa f_s f / t_s */
}

/* One sample at a time, from deep to shallow: the last root lies right of the next. */
static void jkr_lever_each(double kappa, double end, const double *t, size_t n,
                           struct contact_columns *out)
{
    double t_end = ramp(end, kappa), s = 0.0, t_of_s = -1.0, f_end = end * end * end;
    for (size_t k = n; k-- > 0;) {
        if (!(t[k] > t_end)) {
            out->value[k] = kappa * f_end * (f_end - 1.0);
            out->slope[k] = out->by_lnkappa[k] = 0.0;
            continue;
        }
        s = root_near(s, t_of_s, t[k], kappa, end);
        t_of_s = t[k];
        lanes four = {s, s, s, s}, y, y_t, y_lnkappa;
        columns_of_four(kappa, four, &y, &y_t, &y_lnkappa);
        out->value[k] = y[0], out->slope[k] = y_t[0], out->by_lnkappa[k] = y_lnkappa[0];
    }
}

LANES_CLONES static void jkr_lever_lanes(double kappa, const struct start_curve *q, const double *t,
                                         size_t n, struct contact_columns *out)
{
    for (size_t i = 0; i < n; i += LANES) {
        size_t m = n - i < LANES ? n - i : LANES;
        struct contact_columns at = {out->value + i, out->slope + i, out->by_lnkappa + i, NULL};
        lanes four = {0}, s, y, y_t, y_lnkappa;
        if (m == LANES) four = lanes_load(t + i);
        lanes_mask out_of = four <= q->t_end;
        bool plain = m == LANES && !(out_of[0] | out_of[1] | out_of[2] | out_of[3]);
        if (!plain || !roots_of_four(q, kappa, four, &s)) {
            jkr_lever_each(kappa, q->end, t + i, m, &at);
            continue;
        }
        columns_of_four(kappa, s, &y, &y_t, &y_lnkappa);
        lanes_store(at.value, y);
        lanes_store(at.slope, y_t);
        lanes_store(at.by_lnkappa, y_lnkappa);
    }
}

static void jkr_lever(const struct contact_shape *shape, const double *t, size_t n,
                      struct contact_columns *out)
{
    enum { FEW = 48 }; /* the start curve costs as much as some twenty roots */
    double kappa = shape->kappa, end = branch_end(kappa), t_end = ramp(end, kappa), most = t_end;
    struct start_curve q;
    for (size_t i = 0; i < n; i++)
        most = t[i] > most ? t[i] : most;
    if (n < FEW || !(most > t_end) || !isfinite(most)) {
        jkr_lever_each(kappa, end, t, n, out);
        return;
    }
    make_start_curve(kappa, end, t_end, most, &q);
    jkr_lever_lanes(kappa, &q, t, n, out);
}

/* Force at fixed indentation: the branch that a stiff lever follows, down to s^3 = 1/6. */
static void jkr_force(const struct contact_shape *shape, const double *u, size_t n,
                      struct contact_columns *out)
{
    (void)shape;
    double *f = out->value, *slope = out->slope;
    const double end = branch_end(0.0), u_end = ramp(end, 0.0), e3 = end * end * end;
    for (size_t i = 0; i < n; i++) {
        if (!(u[i] > u_end)) {
            f[i] = e3 * (e3 - 1.0);
            slope[i] = 0.0;
            continue;
        }
        double s = root_from(right_of_root(u[i], 0.0), u[i], 0.0, end), s3 = s * s * s;
        f[i] = s3 * (s3 - 1.0);
        slope[i] = s * s * (6.0 * s3 - 3.0) / (4.0 * s3 - 2.0 / 3.0);
    }
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
    double length, kappa, pull_n, end = branch_end(0.0);
    jkr_scales(s, sample, &length, &kappa, &pull_n);
    double u = depth_m / length, scale = kappa * s->spring_n_per_m; /* P / l */
    *out = (struct contact_state){0};
    if (u < ramp(end, 0.0) * (1.0 + 1e-12)) return;
    double root = u <= ramp(end, 0.0) ? end : root_from(right_of_root(u, 0.0), u, 0.0, end);
    double s3 = root * root * root;
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
