#include "contact/chain.h"

#include <math.h>
#include <stddef.h>

static double thermal(const struct chain *c)
{
    return BOLTZMANN_J_PER_K * c->temperature_k;
}

/* a_2 ... a_7 of Bouchiat et al. 1999, Table 1 */
static const double bouchiat[6] = {-0.5164228, -2.737418, 16.07497, -38.87607, 39.49944, -14.17718};

double chain_marko_siggia_force(const struct chain *c, double x_m)
{
    double r = x_m / c->length_m, rest = 1.0 - r;
    if (!(r > 0)) return 0.0;
    return r < 1.0 ? thermal(c) / c->unit_m * (0.25 / (rest * rest) - 0.25 + r) : (double)INFINITY;
}

double chain_wlc_force(const struct chain *c, double x_m, double *slope)
{
    double r = x_m / c->length_m, rest = 1.0 - r, sum = 0, by_r = 0;
    double scale = thermal(c) / c->unit_m;
    if (slope) *slope = r < 1.0 ? 0.0 : (double)INFINITY;
    if (!(r > 0)) return 0.0;
    if (!(r < 1.0)) return INFINITY;
    for (int i = 5; i >= 0; i--) { /* sum a_i r^(i-2) and what its derivative needs */
        by_r = by_r * r + (i + 2) * bouchiat[i];
        sum = sum * r + bouchiat[i];
    }
    if (slope) *slope = scale / c->length_m * (0.5 / (rest * rest * rest) + 1.0 + by_r * r);
    return scale * (0.25 / (rest * rest) - 0.25 + r + sum * r * r);
}

/* coth s - 1/s and its derivative; the series where the difference loses digits */
static double langevin(double s, double *slope)
{
    double s2 = s * s;
    if (s < 0.1) {
        *slope = 1.0 / 3 - s2 * (1.0 / 15 - s2 * (2.0 / 189 - s2 * (1.0 / 675 - s2 * 2.0 / 10395)));
        return s * (1.0 / 3 -
                    s2 * (1.0 / 45 - s2 * (2.0 / 945 - s2 * (1.0 / 4725 - s2 * 2.0 / 93555))));
    }
    double sinh_s = s < 350 ? sinh(s) : (double)INFINITY;
    *slope = 1.0 / s2 - 1.0 / (sinh_s * sinh_s);
    return 1.0 / tanh(s) - 1.0 / s;
}

double chain_fjc_extension(const struct chain *c, double force_n, double *slope, double *by_unit)
{
    double per = c->unit_m / thermal(c), s = force_n * per, turn = 0;
    double share = s > 0 ? langevin(s, &turn) : 0.0, more = 1.0 + force_n / c->stretch_n;
    if (!(s > 0)) turn = 1.0 / 3;
    if (slope) *slope = c->length_m * (turn * per * more + share / c->stretch_n);
    if (by_unit) *by_unit = c->length_m * turn * s * more;
    return c->length_m * share * more;
}

/* The extension x in (0, min(x0, L)) at which the chain pulls as the lever does: Newton's, kept
 * between the ends. */
static struct chain_point wlc_at(const struct chain *c, double k, double x0)
{
    double low = 0, high = fmin(x0, c->length_m), x = high < x0 ? 0.9 * high : 0.5 * high, f, f_x;
    for (int i = 0; i < 200; i++) {
        f = chain_wlc_force(c, x, &f_x);
        double miss = f - k * (x0 - x);
        if (miss > 0)
            high = x;
        else
            low = x;
        double next = x - miss / (f_x + k);
        if (!(next > low && next < high)) next = 0.5 * (low + high);
        bool there = fabs(next - x) <= 1e-8 * c->length_m; /* quadratic: 1e-16 now */
        x = next;
        if (there) break;
    }
    f = chain_wlc_force(c, x, &f_x);
    return (struct chain_point){x - x0, k * (x0 - x), -f_x / (k + f_x), f / (k + f_x),
                                x * f_x / (k + f_x)};
}

/* Likewise the force in (0, k x0): the jointed chain gives x of F. */
static struct chain_point fjc_at(const struct chain *c, double k, double x0)
{
    double low = 0, high = k * x0, f = 0.5 * high, x, x_f, x_unit;
    for (int i = 0; i < 200; i++) {
        x = chain_fjc_extension(c, f, &x_f, NULL);
        double miss = x - (x0 - f / k);
        if (miss > 0)
            high = f;
        else
            low = f;
        double next = f - miss / (x_f + 1.0 / k);
        if (!(next > low && next < high)) next = 0.5 * (low + high);
        bool there = fabs(next - f) <= 1e-8 * k * x0;
        f = next;
        if (there) break;
    }
    x = chain_fjc_extension(c, f, &x_f, &x_unit);
    double f_x = 1.0 / x_f;
    return (struct chain_point){-f / k, f, -f_x / (k + f_x), x_unit * f_x / (k + f_x),
                                x * f_x / (k + f_x)};
}

struct chain_point chain_at(const struct chain *c, double spring_n_per_m, double x0_m)
{
    if (!(x0_m > 0)) return (struct chain_point){0, 0, 0, 0, 0};
    return c->kind == CHAIN_WLC ? wlc_at(c, spring_n_per_m, x0_m) : fjc_at(c, spring_n_per_m, x0_m);
}
