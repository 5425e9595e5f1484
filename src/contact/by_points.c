/* Roots of u + kappa f = t along a curve that is known by its points. */
#include "contact/by_points.h"

#include "base/lanes_math.h"

#include <math.h>

enum { TERMS = 12, BLOCK = POINTS_GROUPS };

/* A start for every root: (p - end)/v as a polynomial (Newton's form) of x = v/(v + knee),
 * v = sqrt(t - t_end), in which it is smooth from the end on: within 1e-5, 1e-2 where the end is
 * nearly a fold. */
struct start_curve {
    double t_most, knee, node[TERMS], c[TERMS];
};

/* t - t_end at p = end + past[i], i < 4 groups. */
static void rise_at(const struct by_points *curve, const double *past, size_t groups, double *rise)
{
    lanes p[BLOCK];
    struct points_four at[BLOCK];
    for (size_t k = 0; k < groups; k++)
        p[k] = curve->end + lanes_load(past + k * LANES);
    curve->points(curve->of, p, groups, at);
    for (size_t k = 0; k < groups; k++)
        lanes_store(rise + k * LANES, at[k].u + curve->kappa * at[k].f - curve->t_end);
}

/* Past the end by how much for t_most, in quarters, then growing by a quarter; and a knee in the
 * midst. @return false: too far */
static bool reach(const struct by_points *curve, double t_most, double *past, double *knee)
{
    enum { STEPS = BLOCK * LANES, PART = 4 * LANES };
    double at[STEPS], rise[STEPS], next = 0;
    for (size_t done = 0; done < STEPS; done += PART) {
        for (size_t i = done; i < done + PART; i++)
            at[i] = next += next < 4.0 ? 0.25 : 0.25 * next;
        rise_at(curve, at + done, PART / LANES, rise + done);
        for (size_t i = done; i < done + PART; i++) {
            if (!(rise[i] >= t_most - curve->t_end)) continue;
            *past = at[i];
            *knee = sqrt(rise[i > 7 ? i / 2 : 3]);
            return true;
        }
    }
    return false;
}

static bool make_start(const struct by_points *curve, const double *t, size_t n,
                       struct start_curve *out)
{
    static double share[TERMS]; /* Chebyshev's points of 0..1 */
    double past, at[TERMS], rise[TERMS], most = curve->t_end;
    if (share[0] == 0)
        for (int k = TERMS; k-- > 0;)
            share[k] = 0.5 * (1.0 - cos(M_PI * (k + 0.5) / TERMS));
    for (size_t i = 0; i < n; i++)
        most = t[i] > most ? t[i] : most;
    out->t_most = most;
    if (!(most > curve->t_end) || !reach(curve, most, &past, &out->knee)) return false;
    for (int k = 0; k < TERMS; k++)
        at[k] = past * share[k];
    rise_at(curve, at, TERMS / LANES, rise);
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
    lanes last[BLOCK]; /* step */
    lanes_mask in[BLOCK];
    struct points_four at[BLOCK], before[BLOCK]; /* at p, and before the last step */
};

/* Samples into lanes; what is out of contact becomes the deepest one. */
LANES_CLONES static void begin_block(const struct by_points *curve, const struct start_curve *of,
                                     const double *t, size_t n, struct block *b)
{
    const struct start_curve q = *of;
    const double end = curve->end, t_end = curve->t_end;
    const lanes deepest = {q.t_most, q.t_most, q.t_most, q.t_most};
    b->n = n;
    b->groups = (n + LANES - 1) / LANES;
    for (size_t k = 0; k < b->groups; k++) {
        lanes four = deepest;
        if ((k + 1) * LANES <= n) four = lanes_load(t + k * LANES);
        for (size_t i = k * LANES; (k + 1) * LANES > n && i < n; i++)
            four[i % LANES] = t[i];
        b->in[k] = four > t_end;
        b->t[k] = lanes_select(b->in[k], four, deepest);
    }
    for (size_t k = 0; k < b->groups; k++) {
        lanes v = lanes_sqrt(b->t[k] - t_end), x = v / (v + q.knee);
        lanes sum = q.c[TERMS - 1] + 0.0 * v;
        for (int j = TERMS - 2; j >= 0; j--)
            sum = q.c[j] + (x - q.node[j]) * sum;
        b->p[k] = end + v * sum;
    }
}

/* A step of each root, at most half of the way to the end and one upwards: Newton's first, then
 * Halley's with the second derivative from the last two slopes. @return whether all were so short
 * that what they leave is nothing */
LANES_CLONES static bool step_block(const struct by_points *curve, bool first, struct block *b)
{
    const double kappa = curve->kappa, end = curve->end, share = first ? 1e-4 : 5e-4;
    const lanes up = {-1.0, -1.0, -1.0, -1.0}, none = {0};
    lanes_mask large = {0};
    for (size_t k = 0; k < b->groups; k++) {
        const struct points_four *at = &b->at[k];
        lanes slope = at->u_p + kappa * at->f_p;
        lanes step = (at->u + kappa * at->f - b->t[k]) / slope;
        if (!first) {
            lanes last_slope = b->before[k].u_p + kappa * b->before[k].f_p;
            lanes bend = (last_slope - slope) / (b->last[k] * slope);
            bend = lanes_select(b->last[k] == none, none, bend);
            step /= 1.0 - 0.5 * step * bend;
        }
        lanes past = b->p[k] - end, limit = share * past + curve->smallest;
        large |= ~((step < limit) & (step > -limit));
        b->last[k] = step = lanes_max(lanes_min(step, 0.5 * past), up);
        b->before[k] = *at;
        b->p[k] -= step;
    }
    return !lanes_any(large);
}

/* What the last step is short of, carried over by the derivatives, and these by their change on
 * that step. */
LANES_CLONES static void settle_block(const struct by_points *curve, struct block *b)
{
    const double kappa = curve->kappa;
    const bool extra = curve->extra;
    const lanes none = {0};
    for (size_t k = 0; k < b->groups; k++) {
        struct points_four *at = &b->at[k];
        const struct points_four *before = &b->before[k];
        lanes step = (at->u + kappa * at->f - b->t[k]) / (at->u_p + kappa * at->f_p);
        lanes share = lanes_select(b->last[k] == none, none, step / b->last[k]);
        at->u -= at->u_p * step;
        at->f -= at->f_p * step;
        at->u_p -= (before->u_p - at->u_p) * share;
        at->f_p -= (before->f_p - at->f_p) * share;
        if (!extra) continue;
        at->u_extra -= (before->u_extra - at->u_extra) * share;
        at->f_extra -= (before->f_extra - at->f_extra) * share;
    }
}

/* @return false where roots do not come at once */
static bool solve_block(const struct by_points *curve, struct block *b)
{
    enum { STEPS = 8 };
    bool found = false;
    for (int i = 0; i < STEPS && !found; i++) {
        curve->points(curve->of, b->p, b->groups, b->at);
        found = step_block(curve, i == 0, b);
    }
    if (!found) return false;
    curve->points(curve->of, b->p, b->groups, b->at);
    settle_block(curve, b);
    return true;
}

LANES_INLINE void store_some(const struct block *b, size_t k, double off, lanes v, double *to)
{
    const lanes out_of = {off, off, off, off};
    v = lanes_select(b->in[k], v, out_of);
    to += k * LANES;
    if ((k + 1) * LANES <= b->n) lanes_store(to, v);
    for (size_t i = 0; (k + 1) * LANES > b->n && i < b->n - k * LANES; i++)
        to[i] = v[i];
}

LANES_CLONES static void lever_of_block(const struct by_points *curve, const struct block *b,
                                        struct contact_columns *out)
{
    const double kappa = curve->kappa, off = kappa * curve->off;
    const bool by_depth = curve->by_depth && kappa > 1.0, extra = curve->extra;
    for (size_t k = 0; k < b->groups; k++) {
        const struct points_four *at = &b->at[k];
        lanes per_t_p = kappa / (at->u_p + kappa * at->f_p);
        store_some(b, k, off, by_depth ? b->t[k] - at->u : kappa * at->f, out->value);
        store_some(b, k, 0.0, at->f_p * per_t_p, out->slope);
        store_some(b, k, 0.0, at->f * at->u_p * per_t_p, out->by_lnkappa);
        if (!extra) continue;
        store_some(b, k, 0.0, (at->f_extra * at->u_p - at->f_p * at->u_extra) * per_t_p,
                   out->by_extra);
    }
}

LANES_CLONES static void force_of_block(const struct by_points *curve, const struct block *b,
                                        struct contact_columns *out)
{
    const double off = curve->off;
    const bool extra = curve->extra;
    for (size_t k = 0; k < b->groups; k++) {
        const struct points_four *at = &b->at[k];
        lanes slope = at->f_p / at->u_p;
        store_some(b, k, off, at->f, out->value);
        store_some(b, k, 0.0, slope, out->slope);
        if (extra) store_some(b, k, 0.0, at->f_extra - slope * at->u_extra, out->by_extra);
    }
}

void by_points(const struct by_points *curve, const double *t, size_t n,
               struct contact_columns *out)
{
    struct start_curve start;
    struct block b;
    bool many = curve->points && n >= curve->few && make_start(curve, t, n, &start);
    for (size_t i = 0; i < n; i += BLOCK * LANES) {
        size_t some = n - i < BLOCK * LANES ? n - i : BLOCK * LANES;
        struct contact_columns part = {out->value + i, out->slope + i, NULL, NULL};
        if (out->by_lnkappa) part.by_lnkappa = out->by_lnkappa + i;
        if (curve->extra) part.by_extra = out->by_extra + i;
        if (many) begin_block(curve, &start, t + i, some, &b);
        if (!many || !solve_block(curve, &b))
            curve->each(curve, t + i, some, &part);
        else if (part.by_lnkappa)
            lever_of_block(curve, &b, &part);
        else
            force_of_block(curve, &b, &part);
    }
}
