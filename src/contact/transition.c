/* Curves of adhesive spheres between DMT and JKR on a lever; see transition.h. */
#include "contact/transition.h"

#include "base/lanes_math.h"

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

/* --- one sample after the other --- */

static void lever_each(const struct mixture *m, const struct transition_point *end, const double *t,
                       size_t n, struct contact_columns *out)
{
    struct transition_point at;
    double kappa = m->of_f, p = m->end, t_end = value_of(m, end);
    double last = NAN, p_t = NAN, p_tt = 0.0; /* the last root's t, dp/dt there, its change */
    for (size_t i = n; i-- > 0;) { /* from deep to shallow: the last root lies right of the next */
        if (!(t[i] > t_end)) {
            out->value[i] = kappa * end->f;
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

static void force_each(const struct mixture *m, const struct transition_point *end, const double *u,
                       size_t n, struct contact_columns *out)
{
    struct transition_point at;
    double p = m->end;
    for (size_t i = n; i-- > 0;) {
        if (!(u[i] > end->u)) {
            out->value[i] = end->f;
            out->slope[i] = out->by_extra[i] = 0.0;
            continue;
        }
        p = root_from(m, p, u[i], &at);
        out->value[i] = at.f;
        out->slope[i] = at.f_p / at.u_p;
        out->by_extra[i] = at.f_extra - at.f_p * at.u_extra / at.u_p;
    }
}

/* --- many samples: four at a time, and blocks of such fours step by step --- */

enum { TERMS = 12, BLOCK = TRANSITION_GROUPS, FEW = 16 };

/* A start for every root: (p - end)/v as a polynomial (Newton's form) of x = v/(v + knee),
 * v = sqrt(t - t_end), in which it is smooth from the end on; good to 1e-5. */
struct start_curve {
    double t_end, t_most, knee, node[TERMS], c[TERMS];
};

/* t - t_end at p = end + past[i], i < 4 groups. */
static void rise_at(const struct mixture *m, double t_end, const double *past, size_t groups,
                    double *rise)
{
    lanes p[BLOCK];
    struct transition_four at[BLOCK];
    for (size_t k = 0; k < groups; k++)
        p[k] = m->end + lanes_load(past + k * LANES);
    m->c->points(m->c->number, p, groups, at);
    for (size_t k = 0; k < groups; k++)
        lanes_store(rise + k * LANES, m->of_u * at[k].u + m->of_f * at[k].f - t_end);
}

/* Past the end by how much for t_most, in quarters; and a knee in the midst. @return false: too far
 */
static bool reach(const struct mixture *m, double t_end, double t_most, double *past, double *knee)
{
    enum { STEPS = BLOCK * LANES };
    double at[STEPS], rise[STEPS];
    for (size_t done = 0; done < STEPS; done += 4 * LANES) {
        for (size_t i = done; i < done + 4 * LANES; i++)
            at[i] = 0.25 * (double)(i + 1);
        rise_at(m, t_end, at + done, 4, rise + done);
        for (size_t i = done; i < done + 4 * LANES; i++) {
            if (!(rise[i] >= t_most - t_end)) continue;
            *past = at[i];
            *knee = sqrt(rise[i > 7 ? i / 2 : 3]);
            return true;
        }
    }
    return false;
}

static bool make_start(const struct mixture *m, double t_end, const double *t, size_t n,
                       struct start_curve *out)
{
    double past, at[TERMS], rise[TERMS], most = t_end;
    for (size_t i = 0; i < n; i++)
        most = t[i] > most ? t[i] : most;
    out->t_end = t_end, out->t_most = most;
    if (!(most > t_end) || !reach(m, t_end, most, &past, &out->knee)) return false;
    for (int k = 0; k < TERMS; k++)
        at[k] = 0.5 * past * (1.0 - cos(M_PI * (k + 0.5) / TERMS));
    rise_at(m, t_end, at, TERMS / LANES, rise);
    for (int k = 0; k < TERMS; k++) {
        double v = sqrt(rise[k]);
        out->node[k] = v / (v + out->knee);
        out->c[k] = at[k] / v;
    }
    for (int j = 1; j < TERMS; j++)
        for (int k = TERMS - 1; k >= j; k--)
            out->c[k] = (out->c[k] - out->c[k - 1]) / (out->node[k] - out->node[k - j]);
    return isfinite(out->c[TERMS - 1]);
}

struct block {
    size_t n, groups;
    lanes t[BLOCK], p[BLOCK];
    lanes slope[BLOCK], last[BLOCK]; /* at the last p, and the step from there */
    lanes_mask in[BLOCK];
    struct transition_four at[BLOCK];
};

/* Samples into lanes; what is out of contact becomes the deepest one. */
LANES_CLONES static void begin_block(const struct mixture *m, const struct start_curve *of,
                                     const double *t, size_t n, struct block *b)
{
    const struct start_curve q = *of;
    const double end = m->end;
    const lanes deepest = {q.t_most, q.t_most, q.t_most, q.t_most};
    b->n = n < BLOCK * LANES ? n : BLOCK * LANES;
    b->groups = (b->n + LANES - 1) / LANES;
    for (size_t k = 0; k < b->groups; k++) {
        lanes four = deepest;
        for (size_t i = 0; i < LANES && k * LANES + i < n; i++)
            four[i] = t[k * LANES + i];
        b->in[k] = four > q.t_end;
        b->t[k] = lanes_select(b->in[k], four, deepest);
    }
    for (size_t k = 0; k < b->groups; k++) {
        lanes v = lanes_sqrt(b->t[k] - q.t_end), x = v / (v + q.knee);
        lanes sum = q.c[TERMS - 1] + 0.0 * v;
        for (int j = TERMS - 2; j >= 0; j--)
            sum = q.c[j] + (x - q.node[j]) * sum;
        b->p[k] = end + v * sum;
    }
}

/* A step of each root, at most half of the way to the end and one upwards: Newton's first, then
 * Halley's with the second derivative from the last two slopes. @return whether all were so short
 * that what they leave is nothing */
LANES_CLONES static bool step_block(const struct mixture *m, bool first, struct block *b)
{
    const double of_u = m->of_u, of_f = m->of_f, end = m->end, share = first ? 2e-5 : 1e-4;
    const lanes up = {-1.0, -1.0, -1.0, -1.0};
    lanes_mask large = {0};
    for (size_t k = 0; k < b->groups; k++) {
        const struct transition_four *at = &b->at[k];
        lanes slope = of_u * at->u_p + of_f * at->f_p;
        lanes step = (of_u * at->u + of_f * at->f - b->t[k]) / slope;
        if (!first) {
            lanes bend = (b->slope[k] - slope) / (b->last[k] * slope);
            bend = lanes_select(b->last[k] == 0.0, 0.0 * slope, bend);
            step /= 1.0 - 0.5 * step * bend;
        }
        lanes past = b->p[k] - end, limit = share * past + 1e-11;
        large |= ~((step < limit) & (step > -limit));
        b->last[k] = step = lanes_max(lanes_min(step, 0.5 * past), up);
        b->slope[k] = slope;
        b->p[k] -= step;
    }
    return !lanes_any(large);
}

/* Roots, and the point of the curve at each: the last step is carried over by the slopes. @return
 * false where they do not come at once */
LANES_CLONES static bool solve_block(const struct mixture *m, struct block *b)
{
    enum { STEPS = 8 };
    const double of_u = m->of_u, of_f = m->of_f;
    bool found = false;
    for (int i = 0; i < STEPS && !found; i++) {
        m->c->points(m->c->number, b->p, b->groups, b->at);
        found = step_block(m, i == 0, b);
    }
    if (!found) return false;
    m->c->points(m->c->number, b->p, b->groups, b->at);
    for (size_t k = 0; k < b->groups; k++) {
        struct transition_four *at = &b->at[k];
        lanes step = (of_u * at->u + of_f * at->f - b->t[k]) / (of_u * at->u_p + of_f * at->f_p);
        at->u -= at->u_p * step;
        at->f -= at->f_p * step;
    }
    return true;
}

LANES_INLINE void store_some(const struct block *b, size_t k, double out, lanes v, double *to)
{
    const lanes off = {out, out, out, out};
    v = lanes_select(b->in[k], v, off);
    to += k * LANES;
    if ((k + 1) * LANES <= b->n) lanes_store(to, v);
    for (size_t i = 0; (k + 1) * LANES > b->n && i < b->n - k * LANES; i++)
        to[i] = v[i];
}

LANES_CLONES static void lever_of_block(const struct block *b, double kappa, double off,
                                        struct contact_columns *out)
{
    for (size_t k = 0; k < b->groups; k++) {
        const struct transition_four *at = &b->at[k];
        lanes per_t_p = kappa / (at->u_p + kappa * at->f_p);
        store_some(b, k, off, kappa > 1.0 ? b->t[k] - at->u : kappa * at->f, out->value);
        store_some(b, k, 0.0, at->f_p * per_t_p, out->slope);
        store_some(b, k, 0.0, at->f * at->u_p * per_t_p, out->by_lnkappa);
        store_some(b, k, 0.0, (at->f_extra * at->u_p - at->f_p * at->u_extra) * per_t_p,
                   out->by_extra);
    }
}

LANES_CLONES static void force_of_block(const struct block *b, double off,
                                        struct contact_columns *out)
{
    for (size_t k = 0; k < b->groups; k++) {
        const struct transition_four *at = &b->at[k];
        lanes slope = at->f_p / at->u_p;
        store_some(b, k, off, at->f, out->value);
        store_some(b, k, 0.0, slope, out->slope);
        store_some(b, k, 0.0, at->f_extra - slope * at->u_extra, out->by_extra);
    }
}

/* `force`: at fixed depth, kappa is nothing. */
static void along(const struct transition *c, bool force, double kappa, const double *t, size_t n,
                  struct contact_columns *out)
{
    struct mixture m = mix(c, 1.0, kappa);
    struct transition_point end = end_of(&m);
    struct start_curve start;
    struct block b;
    bool many = n >= FEW && make_start(&m, value_of(&m, &end), t, n, &start);
    for (size_t i = 0; i < n; i += BLOCK * LANES) {
        struct contact_columns part = {out->value + i, out->slope + i, NULL, out->by_extra + i};
        if (!force) part.by_lnkappa = out->by_lnkappa + i;
        size_t some = n - i < BLOCK * LANES ? n - i : BLOCK * LANES;
        if (many) begin_block(&m, &start, t + i, some, &b);
        bool solved = many && solve_block(&m, &b);
        if (solved && force)
            force_of_block(&b, end.f, &part);
        else if (solved)
            lever_of_block(&b, kappa, kappa * end.f, &part);
        else if (force)
            force_each(&m, &end, t + i, some, &part);
        else
            lever_each(&m, &end, t + i, some, &part);
    }
}

void transition_lever(const struct transition *c, double kappa, const double *t, size_t n,
                      struct contact_columns *out)
{
    along(c, false, kappa, t, n, out);
}

void transition_force(const struct transition *c, const double *u, size_t n,
                      struct contact_columns *out)
{
    along(c, true, 0.0, u, n, out);
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
