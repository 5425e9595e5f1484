/* Interpolation of the Maugis-Dugdale sphere with q = (alpha + sqrt(1 + L/Lc))/(1 + alpha):
 *     a/a0 = q^(2/3)                          Carpick, Ogletree, Salmeron 1999
 *     delta = a0^2/R [q^(4/3) - S q^(2 beta/3)]   Pietrement, Troyon 2000
 * with L = Lc ([(1 + alpha) q - alpha]^2 - 1). Written in q the curve goes on below the force
 * minimum, q < alpha/(1 + alpha), as JKR does, which it is for alpha = 1 (S = 2/3, beta = 1/2).
 *
 * All coefficients are from memory, not read in the papers. That the exponent is 2 beta/3 follows
 * from the limit: JKR needs q^(1/3). Measured against the exact Maugis sphere: tests, docs. */
#include "contact/carpick.h"

#include "base/lanes_math.h"

#include <math.h>
#include <string.h>

double carpick_lambda(double alpha)
{
    return alpha < 1.0 / 1.02 ? -0.924 * log1p(-1.02 * alpha) : INFINITY;
}

double carpick_alpha(double lambda)
{
    return -expm1(-lambda / 0.924) / 1.02;
}

/* S as remembered falls below zero at alpha < 0.0046 (lambda < 0.0043), where the papers were never
 * meant to be used; there it is zero, the DMT value. */
static void set_share(double alpha, struct carpick_numbers *out)
{
    if (!(alpha > 0)) return;
    out->share = -2.160 * pow(alpha, 0.019) + 2.7531 * pow(alpha, 0.064) +
                 0.073 * pow(alpha, 1.919);
    out->share_alpha = -2.160 * 0.019 * pow(alpha, -0.981) + 2.7531 * 0.064 * pow(alpha, -0.936) +
                       0.073 * 1.919 * pow(alpha, 0.919);
    if (out->share < 0) out->share = out->share_alpha = 0;
}

struct carpick_numbers carpick_numbers(double alpha)
{
    double x = alpha;
    struct carpick_numbers n = {
        .alpha = x,
        .a0 = (((-0.451 * x + 1.417) * x - 1.365) * x + 0.950) * x + 1.264,
        .a0_alpha = ((-4 * 0.451 * x + 3 * 1.417) * x - 2 * 1.365) * x + 0.950,
        .pull_off = (0.267 * x - 0.767) * x + 2.000,
        .pull_off_alpha = 2 * 0.267 * x - 0.767,
        .exponent = 2.0 / 3.0 * ((((0.516 * x - 0.683) * x + 0.235) * x + 0.429) * x),
        .exponent_alpha = 2.0 / 3.0 * (((4 * 0.516 * x - 3 * 0.683) * x + 2 * 0.235) * x + 0.429),
    };
    set_share(alpha, &n);
    return n;
}

double carpick_radius(double alpha, double load)
{
    return pow((alpha + sqrt(1.0 + load)) / (1.0 + alpha), 2.0 / 3.0);
}

enum { ALPHA, A2, PULL, SHARE, POWER, ALPHA_EXTRA, A2_EXTRA, PULL_EXTRA, SHARE_EXTRA, POWER_EXTRA };

static struct transition_point carpick_at(const double *c, double p)
{
    double q = exp(p), grown = exp(4.0 / 3.0 * p), less = c[SHARE] * exp(c[POWER] * p);
    double root = (1.0 + c[ALPHA]) * q - c[ALPHA]; /* of 1 + L/Lc, signed */
    double less_extra = c[SHARE_EXTRA] * exp(c[POWER] * p) + less * c[POWER_EXTRA] * p;
    double load = (root - 1.0) * (root + 1.0);
    return (struct transition_point){
        .u = c[A2] * (grown - less),
        .f = c[PULL] * load,
        .radius = sqrt(c[A2]) * exp(2.0 / 3.0 * p),
        .u_p = c[A2] * (4.0 / 3.0 * grown - c[POWER] * less),
        .f_p = c[PULL] * 2.0 * root * (1.0 + c[ALPHA]) * q,
        .u_extra = c[A2_EXTRA] * (grown - less) - c[A2] * less_extra,
        .f_extra = c[PULL_EXTRA] * load + c[PULL] * 2.0 * root * (q - 1.0) * c[ALPHA_EXTRA],
    };
}

/* The same in lanes. */
LANES_CLONES static void carpick_points(const void *of, const lanes *p, size_t groups,
                                        struct points_four *out)
{
    double c[TRANSITION_NUMBERS];
    memcpy(c, of, sizeof c);
    for (size_t k = 0; k < groups; k++) {
        lanes third = lanes_exp(p[k] / 3.0), q = third * third * third, grown = third * q;
        lanes power = lanes_exp(c[POWER] * p[k]), less = c[SHARE] * power;
        lanes less_extra = c[SHARE_EXTRA] * power + less * (c[POWER_EXTRA] * p[k]);
        lanes root = (1.0 + c[ALPHA]) * q - c[ALPHA], load = (root - 1.0) * (root + 1.0);
        out[k].u = c[A2] * (grown - less);
        out[k].f = c[PULL] * load;
        out[k].u_p = c[A2] * (4.0 / 3.0 * grown - c[POWER] * less);
        out[k].f_p = c[PULL] * 2.0 * (1.0 + c[ALPHA]) * root * q;
        out[k].u_extra = c[A2_EXTRA] * (grown - less) - c[A2] * less_extra;
        out[k].f_extra = c[PULL_EXTRA] * load + c[PULL] * 2.0 * c[ALPHA_EXTRA] * root * (q - 1.0);
    }
}

struct transition carpick_of(double lambda)
{
    struct carpick_numbers n = carpick_numbers(carpick_alpha(lambda));
    double alpha_extra = lambda * exp(-lambda / 0.924) / (1.02 * 0.924);
    return (struct transition){.p_low = -40.0, /* depth below a^2/R of 1e-23: no contact */
                               .at = carpick_at,
                               .points = carpick_points,
                               .number = {
                                   [ALPHA] = n.alpha,
                                   [A2] = n.a0 * n.a0,
                                   [PULL] = n.pull_off,
                                   [SHARE] = n.share,
                                   [POWER] = n.exponent,
                                   [ALPHA_EXTRA] = alpha_extra,
                                   [A2_EXTRA] = 2.0 * n.a0 * n.a0_alpha * alpha_extra,
                                   [PULL_EXTRA] = n.pull_off_alpha * alpha_extra,
                                   [SHARE_EXTRA] = n.share_alpha * alpha_extra,
                                   [POWER_EXTRA] = n.exponent_alpha * alpha_extra,
                               }};
}

TRANSITION(carpick)

const struct contact_model contact_carpick = {
    .name = "carpick",
    .title = "interpolation between DMT and JKR: close to the Maugis-Dugdale sphere",
    .formula = "a = a0 q^(2/3), delta = a0^2/R [q^(4/3) - S q^(2 beta/3)], q = (alpha + sqrt(1 + "
               "F/Lc))/(1 + alpha)",
    .source =
        "R. W. Carpick, D. F. Ogletree, M. Salmeron, J. Colloid Interface Sci. 211 (1999) 395; "
        "depth: O. Pietrement, M. Troyon, J. Adhesion 74 (2000) 357; all coefficients from "
        "memory",
    .limits = "contact radius well below R; pull-off within 1.4 % of the Maugis-Dugdale sphere, "
              "depth as measured in docs/methods.md; its JKR end is lambda = infinity at alpha = "
              "0.98, not 1",
    TRANSITION_FUNCTIONS(carpick),
};
