#include "fit/walk.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_min.h>
#include <math.h>

bool walk_look(const double *r, size_t n, struct walk_curve *out)
{
    double rest = 0, held = 0;
    *out = (struct walk_curve){0};
    if (n < WALK_SHORTEST) return false;
    for (size_t i = 0; i < n; i++)
        rest += r[i] * r[i];
    for (int j = 0; j <= WALK_LAST; j++) {
        double step = M_PI * j / (double)n, twice = 2.0 * cos(step), now = cos(0.5 * step);
        double before = now, sum = 0; /* cos(-x) = cos(x) starts the recurrence */
        for (size_t i = 0; i < n; i++) {
            sum += r[i] * now;
            double next = twice * now - before;
            before = now, now = next;
        }
        double power = sum * sum * (j ? 2.0 : 1.0) / (double)n;
        held += power;
        if (j >= WALK_FIRST) out->power[j - WALK_FIRST] = power;
    }
    out->level = (rest - held) / (double)(n - WALK_LAST - 1);
    if (!(out->level > 1e-12 * rest / (double)n)) return false;
    for (int i = 0; i < WALK_POWERS; i++)
        out->power[i] /= out->level;
    out->samples = (double)n;
    return true;
}

/* All powers under one shape of slow noise. */
struct pool {
    const struct walk_curve *curve;
    size_t n, used;
    int slope; /* 2: walk, 1: flicker, for comparison */
};

/* Power of slow noise of size one at index j, in units of a curve's level. */
static double shape(const struct pool *p, const struct walk_curve *c, int j)
{
    double wave = 0.5 / sin(0.5 * M_PI * j / c->samples);
    return (p->slope == 2 ? wave * wave : wave) / c->level;
}

/* Minus twice the log likelihood at a size of the slow noise over the other's level, that level
 * chosen best: it is the mean of what the shape leaves. */
static double cost(const struct pool *p, double size, double *level)
{
    double sum = 0, logs = 0, all = (double)p->used * WALK_POWERS;
    for (size_t k = 0; k < p->n; k++)
        for (int i = 0; i < WALK_POWERS && p->curve[k].samples > 0; i++) {
            double s = 1.0 + size * shape(p, &p->curve[k], WALK_FIRST + i);
            sum += p->curve[k].power[i] / s;
            logs += log(s);
        }
    *level = sum / all;
    return all * log(*level) + logs;
}

static double cost_at(double log_size, void *pool)
{
    double level;
    return cost(pool, exp(log_size), &level);
}

/* Best size on a grid of factors 4, then by Brent's method. unit: a size that matters. */
static double best_size(struct pool *p, double unit, double *least)
{
    enum { HALF = 9, ROUNDS = 60 };
    double at[2 * HALF + 1], where[2 * HALF + 1];
    int best = 0;
    for (int i = 0; i <= 2 * HALF; i++) {
        where[i] = log(unit) + (i - HALF) * log(4.0);
        at[i] = cost_at(where[i], p);
        if (at[i] < at[best]) best = i;
    }
    *least = at[best];
    if (best == 0 || best == 2 * HALF) return best ? exp(where[best]) : 0.0;
    gsl_min_fminimizer *m = gsl_min_fminimizer_alloc(gsl_min_fminimizer_brent);
    gsl_function f = {cost_at, p};
    double found = where[best];
    if (m &&
        gsl_min_fminimizer_set_with_values(m, &f, found, at[best], where[best - 1], at[best - 1],
                                           where[best + 1], at[best + 1]) == GSL_SUCCESS) {
        for (int i = 0; i < ROUNDS && gsl_min_fminimizer_iterate(m) == GSL_SUCCESS; i++)
            if (gsl_min_fminimizer_x_upper(m) - gsl_min_fminimizer_x_lower(m) < 1e-6) break;
        found = gsl_min_fminimizer_x_minimum(m);
        *least = gsl_min_fminimizer_f_minimum(m);
    }
    if (m) gsl_min_fminimizer_free(m);
    return exp(found);
}

/* The curve whose longest wave would hold the median share of a walk is near enough the median one.
 */
static double typical_unit(const struct pool *p)
{
    double sum = 0;
    for (size_t k = 0; k < p->n; k++)
        if (p->curve[k].samples > 0) sum += log(shape(p, &p->curve[k], 1));
    return exp(-sum / (double)p->used);
}

void walk_find(const struct walk_curve *curve, size_t n, struct shared_walk *out)
{
    enum { FEWEST = 16 };
    const double chance = 16.0, matters = 0.25;
    struct pool walk = {.curve = curve, .n = n, .slope = 2}, flicker;
    double level, least, other;
    *out = (struct shared_walk){0};
    for (size_t k = 0; k < n; k++)
        out->curves += curve[k].samples > 0;
    walk.used = out->curves;
    if (walk.used < FEWEST) return;
    flicker = walk, flicker.slope = 1;
    double none = cost(&walk, 0, &level), unit = typical_unit(&walk);
    double size = best_size(&walk, unit, &least);
    best_size(&flicker, typical_unit(&flicker), &other);
    cost(&walk, size, &level);
    out->gain = none - least;
    out->ratio = size / unit;
    if (out->gain > chance && least < other && out->ratio >= matters)
        out->step = sqrt(size * level);
}
