#include "curve/tether_chain.h"

#include <math.h>

enum { PARAMETERS = 2, STEPS_MOST = 60 }; /* ln unit, ln L */

struct problem {
    const struct lane *lane;
    double k;
    size_t from, to, stride; /* every stride-th sample */
    bool free_unit;
};

/* Sums of one pass: squares, gradient, normal matrix; and what level and slope of the baseline and
 * a shift of all rest positions do to the gradient. */
struct sums {
    double squares, gradient[PARAMETERS], normal[PARAMETERS][PARAMETERS];
    double by_level[PARAMETERS], by_slope[PARAMETERS], by_rest[PARAMETERS];
};

static struct sums sums_at(const struct problem *p, const struct chain *c)
{
    struct sums s = {0};
    for (size_t i = p->from; i < p->to; i += p->stride) {
        double flat = p->lane->flat[i], x0 = lane_separation(p->lane, i) - flat;
        struct chain_point at = chain_at(c, p->k, x0);
        double miss = flat - at.deflection_m;
        double row[PARAMETERS] = {p->free_unit ? at.by_ln_unit : 0.0, at.by_ln_length};
        s.squares += miss * miss;
        for (int a = 0; a < PARAMETERS; a++) {
            s.gradient[a] += row[a] * miss;
            s.by_level[a] += row[a];
            s.by_slope[a] += row[a] * (p->lane->z[i] - p->lane->z_ref);
            s.by_rest[a] += row[a] * at.by_rest;
            for (int b = 0; b < PARAMETERS; b++)
                s.normal[a][b] += row[a] * row[b];
        }
    }
    if (!p->free_unit) s.normal[0][0] = 1.0;
    return s;
}

static bool solve(const struct sums *s, double damping, double step[PARAMETERS])
{
    double a = s->normal[0][0] * (1 + damping), b = s->normal[0][1],
           d = s->normal[1][1] * (1 + damping), det = a * d - b * b;
    step[0] = (d * s->gradient[0] - b * s->gradient[1]) / det;
    step[1] = (a * s->gradient[1] - b * s->gradient[0]) / det;
    return det > 0 && isfinite(step[0]) && isfinite(step[1]);
}

/* K. Levenberg, Q. Appl. Math. 2 (1944) 164; D. W. Marquardt, J. SIAM 11 (1963) 431. */
static bool descend(const struct problem *p, struct chain *c, struct sums *s)
{
    double damping = 1e-3, step[PARAMETERS];
    *s = sums_at(p, c);
    for (int i = 0; i < STEPS_MOST && damping < 1e10; i++) {
        if (!solve(s, damping, step)) return false;
        struct chain next = *c;
        next.unit_m *= exp(fmax(-1, fmin(1, step[0])));
        next.length_m *= exp(fmax(-0.3, fmin(0.3, step[1])));
        struct sums then = sums_at(p, &next);
        if (!(then.squares <= s->squares)) {
            damping *= 8;
            continue;
        }
        bool there = fabs(step[0]) < 1e-7 && fabs(step[1]) < 1e-8;
        *c = next, *s = then;
        damping = fmax(damping / 8, 1e-12);
        if (there) return true;
    }
    return damping >= 1e10; /* no step helps: as low as numbers go */
}

/* Contour length with which the chain carries the last force at the last extension. */
static double length_for(struct chain c, double x, double force)
{
    double low = x, high = 200 * x;
    for (int i = 0; i < 60; i++) {
        c.length_m = sqrt(low * high);
        double f = c.kind == CHAIN_WLC
                       ? chain_wlc_force(&c, x, NULL)
                       : (chain_fjc_extension(&c, force, NULL, NULL) < x ? (double)INFINITY : 0.0);
        if (f > force)
            low = c.length_m;
        else
            high = c.length_m;
    }
    return sqrt(low * high);
}

static void find_errors(const struct problem *p, const struct sums *s, double sigma, double u_zero,
                        struct chain_fit *out)
{
    const double det = s->normal[0][0] * s->normal[1][1] - s->normal[0][1] * s->normal[1][0];
    double inverse[PARAMETERS][PARAMETERS] = {{s->normal[1][1] / det, -s->normal[0][1] / det},
                                              {-s->normal[0][1] / det, s->normal[0][0] / det}};
    const double *var = p->lane->baseline_var;
    double u[PARAMETERS];
    for (int a = 0; a < PARAMETERS; a++) {
        double level = inverse[a][0] * s->by_level[0] + inverse[a][1] * s->by_level[1];
        double slope = inverse[a][0] * s->by_slope[0] + inverse[a][1] * s->by_slope[1];
        double rest = inverse[a][0] * s->by_rest[0] + inverse[a][1] * s->by_rest[1];
        double baseline = level * level * var[0] + 2.0 * level * slope * var[1] +
                          slope * slope * var[2];
        u[a] = sqrt(sigma * sigma * inverse[a][a] + baseline + pow(rest * u_zero, 2));
    }
    out->u_unit_m = p->free_unit ? out->chain.unit_m * u[0] : 0.0;
    out->u_length_m = out->chain.length_m * u[1];
}

bool chain_fit_run(const struct curve_plan *plan, const struct lane *lane, size_t from, size_t to,
                   double sigma_m, double u_zero_m, struct chain_fit *out)
{
    static const double starts_m[] = {0.2e-9, 1e-9, 5e-9, 50e-9};
    const double fixed = plan->tethers.unit_m;
    const double x_max = lane_separation(lane, from);
    struct problem p = {lane, plan->setup.spring_n_per_m, from,
                        to,   1 + (to - from) / 100,      isnan(fixed)};
    double pull = 0, best = INFINITY;
    struct sums s, least = {0};
    for (size_t i = from; i < from + 5 && i < to; i++)
        pull -= lane->force[i] / 5;
    if (to < from + 12 || !(x_max > 0) || !(pull > 0)) return false;
    for (size_t i = 0; i < (p.free_unit ? sizeof starts_m / sizeof *starts_m : 1); i++) {
        struct chain c = {plan->tethers.chain == 2 ? CHAIN_FJC : CHAIN_WLC,
                          plan->tethers.temperature_k, 0, p.free_unit ? starts_m[i] : fixed,
                          INFINITY};
        c.length_m = length_for(c, x_max, pull);
        if (!descend(&p, &c, &s) || !(s.squares < best)) continue;
        best = s.squares;
        out->chain = c;
    }
    p.stride = 1; /* the starts were told apart by a hundred samples */
    if (!isfinite(best) || !descend(&p, &out->chain, &least)) return false;
    best = least.squares;
    find_errors(&p, &least, sigma_m, u_zero_m, out);
    out->chi_square = best / ((double)(to - from) - 1 - p.free_unit) / (sigma_m * sigma_m);
    return out->chain.length_m > 0.5 * x_max && out->chain.length_m < 100 * x_max &&
           out->chain.unit_m > 1e-12 && out->chain.unit_m < 1e-5 && isfinite(out->u_length_m);
}
