/* Curves of adhesive spheres between DMT and JKR on a lever; see transition.h. */
#include "contact/transition.h"

#include <math.h>

/* ln 0.01 is DMT and ln 20 is JKR within what a curve can tell. */
const double transition_range[3] = {-4.6051701859880914, 2.9957322735539910, -0.35667494393873239};

/* 2 sigma0 (R/(pi w K^2))^(1/3) over mu with sigma0 = 16 w/(9 sqrt 3 z0), the largest stress of the
 * 3-9 surface force law. */
const double contact_lambda_per_tabor = 1.1570116348507993;

double contact_tabor(double radius_m, double reduced_modulus_pa, double work_j_per_m2, double z0_m)
{
    double ratio = work_j_per_m2 / reduced_modulus_pa;
    return cbrt(radius_m * ratio * ratio) / z0_m;
}

double transition_start(const struct contact_setup *s)
{
    return isnan(s->transition) ? exp(transition_range[2]) : s->transition;
}

/* What rises with p: t = of_u u + of_f f. */
struct mixture {
    const struct transition *c;
    double of_u, of_f, end; /* end: p where the stable branch ends */
};

static double slope_at(const struct mixture *m, double p)
{
    struct transition_point at = m->c->at(m->c->number, p);
    return m->of_u * at.u_p + m->of_f * at.f_p;
}

static double value_of(const struct mixture *m, const struct transition_point *at)
{
    return m->of_u * at->u + m->of_f * at->f;
}

/* Zero of the slope: it is negative below and positive above. At p_low itself it may vanish because
 * of the parameter (a = 0 of the Maugis sphere), which is no fold. Regula falsi, the weight of an
 * end that stays being halved; where it does not settle, halves. */
static struct mixture mix(const struct transition *c, double of_u, double of_f)
{
    enum { QUICK = 40 };
    struct mixture m = {c, of_u, of_f, c->p_low};
    double low = c->p_low + 1e-6, high = low + 1.0, below = slope_at(&m, low), above;
    if (below >= 0) return m;
    while ((above = slope_at(&m, high)) < 0)
        low = high, below = above, high += 1.0;
    for (int i = 0, last = 0; low < high; i++) {
        double middle = 0.5 * (low + high), p = low + (high - low) * below / (below - above);
        if (i > QUICK || !(p > low && p < high)) p = middle;
        if (!(p > low && p < high) || (i <= QUICK && high - low < 1e-14)) break;
        double slope = slope_at(&m, p);
        if (slope < 0) {
            if (last < 0) above *= 0.5;
            low = p, below = slope, last = -1;
        } else {
            if (last > 0) below *= 0.5;
            high = p, above = slope, last = 1;
            if (slope == 0) break;
        }
    }
    m.end = high;
    return m;
}

/* p of a value on the stable branch, beginning at p: first to the right of the root, then Newton,
 * which on a convex curve falls on it from there. */
static double root_from(const struct mixture *m, double p, double value,
                        struct transition_point *at)
{
    double hop = 0.125;
    if (!(p > m->end)) p = m->end + 1e-3;
    for (*at = m->c->at(m->c->number, p); value_of(m, at) < value; hop *= 1.5)
        *at = m->c->at(m->c->number, p += hop);
    for (int i = 0; i < 200; i++) {
        double step = (value_of(m, at) - value) / (m->of_u * at->u_p + m->of_f * at->f_p), was = p;
        p -= step;
        if (!(p > m->end)) p = 0.5 * (was + m->end);
        *at = m->c->at(m->c->number, p);
        if (fabs(p - was) <= 1e-9) break;
    }
    return p;
}

/* The same from a start that is near: Newton from either side, since a step from the left of the
 * root ends right of it. The last step is carried over by the slopes. */
static double root_near(const struct mixture *m, double p, double value,
                        struct transition_point *at)
{
    for (int i = 0; i < 200; i++) {
        *at = m->c->at(m->c->number, p);
        double step = (value_of(m, at) - value) / (m->of_u * at->u_p + m->of_f * at->f_p);
        if (fabs(step) <= 1e-10) {
            at->u -= at->u_p * step;
            at->f -= at->f_p * step;
            return p - step;
        }
        double next = p - step;
        p = next > m->end ? next : 0.5 * (p + m->end);
    }
    return p;
}

static struct transition_point end_of(const struct mixture *m)
{
    return m->c->at(m->c->number, m->end);
}

/* One sample after the other, from deep to shallow: the last root lies right of the next. */
static void lever_each(const struct by_points *curve, const double *t, size_t n,
                       struct contact_columns *out)
{
    const struct mixture *m = curve->context;
    struct transition_point at;
    double kappa = curve->kappa, p = m->end;
    double last = NAN, p_t = NAN, p_tt = 0.0; /* the last root's t, dp/dt there, its change */
    for (size_t i = n; i-- > 0;) {
        if (!(t[i] > curve->t_end)) {
            out->value[i] = kappa * curve->off;
            out->slope[i] = out->by_lnkappa[i] = out->by_extra[i] = 0.0;
            continue;
        }
        double past = t[i] - last, guess = p + past * (p_t + 0.5 * past * p_tt);
        /* no further than half of the way to the branch's end, where t hardly changes with p */
        if (past < 0 && guess > 0.5 * (p + m->end) && guess < p)
            p = root_near(m, guess, t[i], &at);
        else
            p = root_from(m, p, t[i], &at);
        double slope = 1.0 / (at.u_p + kappa * at.f_p), per_t_p = kappa * slope;
        p_tt = past < 0 ? (slope - p_t) / past : 0.0;
        last = t[i], p_t = slope;
        /* whichever of the two has not been multiplied by a large number */
        out->value[i] = kappa > 1.0 ? t[i] - at.u : kappa * at.f;
        out->slope[i] = at.f_p * per_t_p;
        out->by_lnkappa[i] = at.f * at.u_p * per_t_p;
        out->by_extra[i] = (at.f_extra * at.u_p - at.f_p * at.u_extra) * per_t_p;
    }
}

static void force_each(const struct by_points *curve, const double *u, size_t n,
                       struct contact_columns *out)
{
    const struct mixture *m = curve->context;
    struct transition_point at;
    double p = m->end;
    for (size_t i = n; i-- > 0;) {
        if (!(u[i] > curve->t_end)) {
            out->value[i] = curve->off;
            out->slope[i] = out->by_extra[i] = 0.0;
            continue;
        }
        p = root_from(m, p, u[i], &at);
        out->value[i] = at.f;
        out->slope[i] = at.f_p / at.u_p;
        out->by_extra[i] = at.f_extra - at.f_p * at.u_extra / at.u_p;
    }
}

static struct by_points curve_of(const struct mixture *m)
{
    struct transition_point end = end_of(m);
    return (struct by_points){.points = m->c->points,
                              .of = m->c->number,
                              .kappa = m->of_f,
                              .end = m->end,
                              .t_end = value_of(m, &end),
                              .off = end.f,
                              .smallest = 1e-11,
                              .few = 6,
                              .extra = true,
                              .by_depth = true,
                              .context = m};
}

void transition_lever(const struct transition *c, double kappa, const double *t, size_t n,
                      struct contact_columns *out)
{
    struct mixture m = mix(c, 1.0, kappa);
    struct by_points curve = curve_of(&m);
    curve.each = lever_each;
    by_points(&curve, t, n, out);
}

void transition_force(const struct transition *c, const double *u, size_t n,
                      struct contact_columns *out)
{
    struct mixture m = mix(c, 1.0, 0.0);
    struct by_points curve = curve_of(&m);
    struct contact_columns columns = {out->value, out->slope, NULL, out->by_extra};
    curve.each = force_each;
    by_points(&curve, u, n, &columns);
}

/* p of the end moves too, but there t does not change with p, or p does not change at all. */
void transition_branch_end(const struct transition *c, double kappa, struct contact_branch_end *out)
{
    struct mixture m = mix(c, 1.0, kappa);
    struct transition_point end = end_of(&m);
    *out = (struct contact_branch_end){.t = value_of(&m, &end),
                                       .by_lnkappa = kappa * end.f,
                                       .by_extra = end.u_extra + kappa * end.f_extra};
}

void transition_physics(const struct contact_setup *s, double length_m, double kappa, double pull_n,
                        struct contact_sample *out)
{
    (void)pull_n;
    out->reduced_modulus_pa = 0.75 * kappa * s->spring_n_per_m / sqrt(s->radius_m * length_m);
    out->work_j_per_m2 = kappa * s->spring_n_per_m * length_m / (M_PI * s->radius_m);
}

void transition_scales(const struct contact_setup *s, const struct contact_sample *sample,
                       double *length_m, double *kappa, double *pull_n)
{
    double work = M_PI * sample->work_j_per_m2;
    double ratio = work / (4.0 / 3.0 * sample->reduced_modulus_pa);
    *length_m = cbrt(ratio * ratio * s->radius_m);
    *kappa = work * s->radius_m / (s->spring_n_per_m * *length_m);
    *pull_n = 0.0;
}

double transition_pull_off(const struct transition *c)
{
    struct mixture m = mix(c, 0.0, 1.0);
    return -end_of(&m).f;
}

/* The pull-off sets P, the force in units of it the point on the curve, and its depth sets l. */
void transition_match(const struct transition *c, double x_m, double deflection_m, double pull_m,
                      double *length_m, double *kappa)
{
    struct mixture m = mix(c, 0.0, 1.0);
    struct transition_point at;
    double pull_off = -end_of(&m).f;
    root_from(&m, m.end + 1.0, deflection_m / pull_m * pull_off, &at);
    *length_m = (x_m - deflection_m) / at.u;
    *kappa = pull_m / (pull_off * *length_m);
}

void transition_state(const struct transition *c, const struct contact_setup *s,
                      const struct contact_sample *sample, double depth_m,
                      struct contact_state *out)
{
    double length, kappa, pull_n;
    transition_scales(s, sample, &length, &kappa, &pull_n);
    struct mixture m = mix(c, 1.0, 0.0);
    struct transition_point at = end_of(&m);
    double u = depth_m / length, scale = kappa * s->spring_n_per_m; /* P / l */
    *out = (struct contact_state){0};
    if (u < at.u - 1e-12 * fabs(at.u)) return;
    if (u > at.u) root_from(&m, m.end + 1.0, u, &at);
    out->force_n = scale * length * at.f;
    out->stiffness_n_per_m = scale * at.f_p / at.u_p;
    out->contact_radius_m = at.radius * sqrt(length * s->radius_m);
}
