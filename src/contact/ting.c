#include "contact/ting.h"

#include "base/lanes.h"

#include <gsl/gsl_sf_gamma.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* E(t) = sum of weight e^(-rate t), for all but the newest step; terms is a multiple of LANES. */
struct kernel {
    const struct ting_solid *solid;
    int terms;
    double rate[TING_TERMS], weight[TING_TERMS];
};

/* What a step of one length does to each term. */
struct step {
    double h;
    double mean;               /* of E over 0 .. h, exact */
    double decay[TING_TERMS];  /* e^(-rate h) */
    double within[TING_TERMS]; /* mean of e^(-rate t) over 0 .. h */
};

struct ting_work {
    size_t n_max;
    double *block;
    double *of_depth, *of_power; /* [n_max][TING_TERMS]: int_0^t e^(-rate (t-s)) of d delta and of
                                    d delta^n, at each sample while the contact grows */
    double *t;                   /* [n_max] time since first contact */
};

size_t ting_work_bytes(size_t n_max)
{
    return (2 * TING_TERMS + 1) * (n_max + 1) * sizeof(double);
}

struct ting_work *ting_work_new(size_t n_max)
{
    struct ting_work *w = calloc(1, sizeof *w);
    if (!w) return NULL;
    w->n_max = n_max + 1;
    w->block = calloc((2 * TING_TERMS + 1) * w->n_max, sizeof *w->block);
    if (!w->block) {
        free(w);
        return NULL;
    }
    w->of_depth = w->block;
    w->of_power = w->of_depth + TING_TERMS * w->n_max;
    w->t = w->of_power + TING_TERMS * w->n_max;
    return w;
}

void ting_work_free(struct ting_work *w)
{
    if (w) free(w->block);
    free(w);
}

double ting_modulus(const struct ting_solid *s, double t)
{
    return s->law == TING_POWER_LAW
               ? s->modulus * pow(t / s->reference, -s->exponent)
               : s->modulus * (s->relaxed + (1.0 - s->relaxed) * exp(-t / s->time));
}

/* The nodes at u_last, u_last - h, ... without end: their sums of weight rate^p are geometric. A
 * constant and one node with the same first three stand for them. The first sum diverges for a < 0;
 * there its continuation is what makes the whole the power. */
static void join_slow(double a, double u_last, double h, double factor, double rate[2],
                      double weight[2])
{
    double m[3], top = exp(u_last);
    for (int p = 0; p < 3; p++) /* in units of the fastest of them */
        m[p] = factor * exp(a * u_last) / -expm1(-(a + p) * h);
    rate[0] = 0, rate[1] = top * m[2] / m[1];
    weight[1] = m[1] * m[1] / m[2];
    weight[0] = m[0] - weight[1];
}

int ting_exponentials(double a, double from_s, double to_s, double rate[TING_TERMS],
                      double weight[TING_TERMS])
{
    static const double h = 0.45, fast = 21.0, slow = 0.004;
    double u_end = log(fast / from_s), factor = h / gsl_sf_gamma(a);
    int terms = 2, most = TING_TERMS;
    double u = log(slow / to_s);
    if ((u_end - u) / h > most - 3) u = u_end - (most - 3) * h;
    join_slow(a, u - h, h, factor, rate, weight);
    for (; u <= u_end && terms < most; u += h) {
        rate[terms] = exp(u);
        weight[terms++] = factor * exp(a * u);
    }
    return terms;
}

static double shortest(const struct ting_path *p, double *whole)
{
    double least = INFINITY;
    *whole = 0;
    for (int i = 0; i < p->parts; i++) {
        size_t end = i + 1 < p->parts ? p->first[i + 1] : p->n;
        least = fmin(least, p->step_s[i]);
        *whole += p->step_s[i] * (double)(end - p->first[i]);
        if (i > 0) least = fmin(least, p->gap_s[i]), *whole += p->gap_s[i];
    }
    return least;
}

static void kernel_make(const struct ting_solid *s, const struct ting_path *path, struct kernel *k)
{
    k->solid = s;
    if (s->law == TING_LINEAR_SOLID) {
        k->rate[0] = 0, k->weight[0] = s->modulus * s->relaxed;
        k->rate[1] = 1.0 / s->time, k->weight[1] = s->modulus * (1.0 - s->relaxed);
        k->terms = 2;
    } else if (fabs(s->exponent) > 1e-12) {
        double to, from = shortest(path, &to);
        double scale = s->modulus * pow(s->reference, s->exponent);
        k->terms = ting_exponentials(s->exponent, from, to, k->rate, k->weight);
        for (int m = 0; m < k->terms; m++)
            k->weight[m] *= scale;
    } else {
        k->rate[0] = 0, k->weight[0] = s->modulus;
        k->terms = 1;
    }
    for (; k->terms % LANES; k->terms++)
        k->rate[k->terms] = k->weight[k->terms] = 0;
}

static double mean_modulus(const struct ting_solid *s, double h)
{
    if (s->law == TING_POWER_LAW) return ting_modulus(s, h) / (1.0 - s->exponent);
    double x = h / s->time;
    return s->modulus * (s->relaxed + (1.0 - s->relaxed) * -expm1(-x) / x);
}

static void step_make(const struct kernel *k, double h, struct step *out)
{
    if (out->h == h) return;
    out->h = h;
    out->mean = mean_modulus(k->solid, h);
    for (int m = 0; m < k->terms; m++) {
        double x = k->rate[m] * h;
        out->decay[m] = exp(-x);
        out->within[m] = x > 0 ? -expm1(-x) / x : 1.0;
    }
}

/* sum of weight decay state */
LANES_CLONES static double carried(const struct kernel *k, const struct step *s,
                                   const double *state)
{
    lanes sum = {0};
    for (int m = 0; m < k->terms; m += LANES)
        sum += lanes_load(k->weight + m) * lanes_load(s->decay + m) * lanes_load(state + m);
    return lanes_sum(sum);
}

/* sum of weight away state, for two states */
LANES_CLONES static void fading(const struct kernel *k, const double *away, const double *a,
                                const double *b, double out[2])
{
    lanes sum_a = {0}, sum_b = {0};
    for (int m = 0; m < k->terms; m += LANES) {
        lanes v = lanes_load(k->weight + m) * lanes_load(away + m);
        sum_a += v * lanes_load(a + m);
        sum_b += v * lanes_load(b + m);
    }
    out[0] = lanes_sum(sum_a), out[1] = lanes_sum(sum_b);
}

LANES_CLONES static void advance(int terms, const struct step *s, const double *state,
                                 double growth, double *out)
{
    for (int m = 0; m < terms; m += LANES)
        lanes_store(out + m, lanes_load(s->decay + m) * lanes_load(state + m) +
                                 growth * lanes_load(s->within + m));
}

LANES_CLONES static void multiply(int terms, const double *a, const double *b, double *out)
{
    for (int m = 0; m < terms; m += LANES)
        lanes_store(out + m, lanes_load(a + m) * lanes_load(b + m));
}

/* a delta^n + delta = b, a > 0; convex, so that Newton from above falls on the root, and from below
 * is above it after one step. */
static double depth_of(double a, double b, double n, double start)
{
    if (!(b > 0)) return 0;
    if (n == 1) return b / (1.0 + a);
    if (n == 2) return 2.0 * b / (1.0 + sqrt(1.0 + 4.0 * a * b));
    bool half = n == 1.5; /* then in s = sqrt(delta), without pow */
    double x = half ? sqrt(start) : start;
    if (!(x > 0)) x = half ? fmin(sqrt(b), cbrt(b / a)) : fmin(b, pow(b / a, 1.0 / n));
    for (int i = 0; i < 60; i++) {
        double top = half ? x * x * (a * x + 1.0) - b : a * pow(x, n) + x - b;
        double slope = half ? x * (3.0 * a * x + 2.0) : a * n * pow(x, n - 1.0) + 1.0;
        double next = x - top / slope;
        bool done = fabs(next - x) <= 1e-8 * x; /* quadratic: the error is now 1e-16 */
        x = next;
        if (done) break;
    }
    return half ? x * x : x;
}

static double power_of(double depth, double n)
{
    return n == 1 ? depth : n == 2 ? depth * depth : n == 1.5 ? depth * sqrt(depth) : pow(depth, n);
}

/* The march through time. */
struct march {
    const struct kernel *kernel;
    const struct ting_tip *tip;
    const struct ting_path *path;
    struct ting_work *w;
    double softness;                      /* factor times compliance */
    struct step even[TING_PARTS], odd[2]; /* steps of the parts, and one of any other length */
    double growth;                        /* of depth, in the step before */
    double depth, power;                  /* now */
    size_t nodes;                         /* of the growing part; node 0 is first contact */
    size_t node;              /* withdrawal: t1 lies in the step that ends here, or before */
    double away[TING_TERMS];  /* e^(-rate (t - t of node)) */
    double below[TING_TERMS]; /* the same for the node before */
    double state[TING_TERMS]; /* withdrawal: that of depth, now */
};

static double *depth_state(const struct march *m, size_t node)
{
    return m->w->of_depth + node * TING_TERMS;
}

static double *power_state(const struct march *m, size_t node)
{
    return m->w->of_power + node * TING_TERMS;
}

static const struct step *step_of(struct march *m, double h, int odd)
{
    for (int i = 0; i < m->path->parts; i++)
        if (m->even[i].h == h) return &m->even[i];
    step_make(m->kernel, h, &m->odd[odd]);
    return &m->odd[odd];
}

/* From sample i - 1, or from first contact between them, to sample i. */
static double time_before(const struct ting_path *p, size_t i, int part)
{
    return part > 0 && i == p->first[part] ? p->gap_s[part] : p->step_s[part];
}

/* The share of the step to sample i that lies in contact, when it is the first. */
static double share_in_contact(const struct ting_path *p, size_t i, double contact_m)
{
    double rise = i > 0 ? p->z_m[i] - p->z_m[i - 1] : 0.0;
    return rise > 0 ? fmin(fmax((p->z_m[i] - contact_m) / rise, 1e-6), 1.0) : 1.0;
}

/* One step while the contact grows; F/c in *load. @return false, and nothing is changed, when it
 * would shrink and may */
static bool grow(struct march *m, const struct step *s, double x, bool may_shrink, double *load)
{
    const double *a = depth_state(m, m->nodes - 1), *b = power_state(m, m->nodes - 1);
    int terms = m->kernel->terms;
    double older = carried(m->kernel, s, b) - s->mean * m->power;
    double depth = depth_of(m->softness * s->mean, x - m->softness * older, m->tip->power,
                            m->depth + m->growth);
    if (may_shrink && depth < m->depth) return false;
    double power = power_of(depth, m->tip->power);
    *load = older + s->mean * power;
    advance(terms, s, a, depth - m->depth, depth_state(m, m->nodes));
    advance(terms, s, b, power - m->power, power_state(m, m->nodes));
    m->w->t[m->nodes] = m->w->t[m->nodes - 1] + s->h;
    m->nodes++;
    m->growth = fmax(depth - m->depth, 0);
    m->depth = depth, m->power = power;
    return true;
}

/* Depth and force as they were now, had t1 come back to a node. */
struct reach {
    double depth, load, excess; /* excess: x - depth - softness load, grows as t1 goes back */
};

static struct reach reach_of(const struct march *m, const double *away, size_t node,
                             const struct step *s, double older, double x)
{
    double sums[2];
    fading(m->kernel, away, depth_state(m, node), power_state(m, node), sums);
    struct reach r = {m->depth - (older - sums[0]) / s->mean, sums[1], 0};
    r.excess = x - r.depth - m->softness * r.load;
    return r;
}

static void turn(struct march *m)
{
    m->node = m->nodes - 1;
    memcpy(m->state, depth_state(m, m->node), sizeof m->state);
    for (int q = 0; q < TING_TERMS; q++)
        m->away[q] = 1.0;
}

/* One step of the withdrawal: t1 goes back until the lever holds the force. @return false when
 * contact is lost */
static bool shrink(struct march *m, double h, double x, double *load, double *t1)
{
    const struct step *now = step_of(m, h, 0);
    int terms = m->kernel->terms;
    double older = carried(m->kernel, now, m->state);
    multiply(terms, now->decay, m->away, m->away);
    struct reach high = reach_of(m, m->away, m->node, now, older, x), low;
    for (; m->node > 0; m->node--, high = low) {
        double back = m->w->t[m->node] - m->w->t[m->node - 1];
        multiply(terms, step_of(m, back, 1)->decay, m->away, m->below);
        low = reach_of(m, m->below, m->node - 1, now, older, x);
        if (low.excess >= 0) break;
        memcpy(m->away, m->below, sizeof m->away);
    }
    if (m->node == 0) return false;
    double span = low.excess - high.excess;
    double share = span > 0 ? fmin(low.excess / span, 1.0) : 1.0;
    double depth = low.depth + share * (high.depth - low.depth);
    *load = low.load + share * (high.load - low.load);
    *t1 = m->w->t[m->node - 1] + share * (m->w->t[m->node] - m->w->t[m->node - 1]);
    advance(terms, now, m->state, depth - m->depth, m->state);
    m->depth = depth;
    return true;
}

static void march_begin(struct march *m)
{
    for (int i = 0; i < m->path->parts; i++)
        step_make(m->kernel, m->path->step_s[i], &m->even[i]);
    memset(depth_state(m, 0), 0, TING_TERMS * sizeof(double));
    memset(power_state(m, 0), 0, TING_TERMS * sizeof(double));
    m->w->t[0] = 0;
    m->nodes = 1;
}

void ting_force(const struct ting_solid *solid, const struct ting_tip *tip,
                const struct ting_path *path, double contact_m, struct ting_work *w,
                double *force_n, double *t1_s, struct ting_end *end)
{
    struct kernel kernel;
    struct march m = {.kernel = &kernel, .tip = tip, .path = path, .w = w};
    int part = 0;
    size_t n = path->n, i = 0;
    m.softness = tip->factor * tip->compliance;
    *end = (struct ting_end){n, n, n};
    for (size_t k = 0; k < n; k++) {
        force_n[k] = 0;
        if (t1_s) t1_s[k] = NAN;
    }
    while (i < n && !(path->z_m[i] > contact_m))
        i++;
    if (i == n || (path->withdraws && i >= path->first[path->parts - 1])) return;
    kernel_make(solid, path, &kernel);
    march_begin(&m);
    end->touched = i;
    for (; i < n; i++) {
        double load = 0, t1 = NAN, x = path->z_m[i] - contact_m;
        while (part + 1 < path->parts && i >= path->first[part + 1])
            part++;
        double h = time_before(path, i, part);
        if (i == end->touched) h *= share_in_contact(path, i, contact_m);
        bool may_shrink = path->withdraws && part == path->parts - 1;
        if (end->turned == n && !grow(&m, step_of(&m, h, 0), x, may_shrink, &load)) {
            end->turned = i;
            turn(&m);
        }
        if (end->turned < n && !shrink(&m, h, x, &load, &t1)) break;
        force_n[i] = tip->factor * load;
        if (t1_s) t1_s[i] = t1;
    }
    end->lost = i;
    for (; t1_s && i < n; i++)
        t1_s[i] = 0;
}
