/* Maugis-Dugdale sphere: adhesion as a constant stress sigma0 in a ring from the contact radius a
 * to c, where the surfaces are w/sigma0 apart. In the units of transition.h and with m = c/a
 *     (lambda a^2/2) [sqrt(m^2-1) + (m^2-2) acos(1/m)]
 *         + (4 lambda^2 a/3) [sqrt(m^2-1) acos(1/m) - m + 1] = 1
 *     f = a^3 - lambda a^2 [sqrt(m^2-1) + m^2 acos(1/m)],   u = a^2 - 4/3 lambda a sqrt(m^2-1).
 * With phi = acos(1/m), a = c cos(phi), the first is a quadratic of c, smooth up to a = 0:
 *     (lambda/2) G c^2 + (4 lambda^2/3) H c = 1,
 *     G = (sin 2phi - 2phi cos 2phi)/2,   H = phi sin(phi) + cos(phi) - 1
 *     f = a^3 - lambda c^2 (sin phi cos phi + phi),   u = a^2 - 4/3 lambda c sin(phi)
 * so that every point is a closed expression of phi, and nothing has to be searched but phi itself.
 * p = -ln phi. Where a reaches 0 before the lever lets go, the contact ends there: the cohesive
 * force that the theory leaves between surfaces that no longer touch is not followed. */
#include "contact/maugis.h"

#include "base/lanes_math.h"

#include <math.h>

/* (sin x - x cos x)/2 at x = 2 phi; by its series, of terms k x^(2k+1)/(2k+1)!, where the
 * difference would lose digits. */
enum { G_TERMS = 9 };
static const double g_series[G_TERMS] = {1.0 / 6.0,
                                         -2.0 / 120.0,
                                         3.0 / 5040.0,
                                         -4.0 / 362880.0,
                                         5.0 / 39916800.0,
                                         -6.0 / 6227020800.0,
                                         7.0 / 1307674368000.0,
                                         -8.0 / 355687428096000.0,
                                         9.0 / 121645100408832000.0};

static double g_of(double phi, double sine, double cosine)
{
    double x = 2.0 * phi, x2 = x * x, sum = 0.0;
    if (x > 1.0) return sine * cosine - phi * (cosine * cosine - sine * sine);
    for (size_t k = G_TERMS; k-- > 0;)
        sum = sum * x2 + g_series[k];
    return x * x2 * sum;
}

static struct transition_point maugis_at(const double *number, double p)
{
    double lambda = number[0], phi = exp(-p), half_sine = sin(0.5 * phi),
           half_cosine = cos(0.5 * phi);
    double s = 2.0 * half_sine * half_cosine;
    double cosine = p > number[1] ? (half_cosine - half_sine) * (half_cosine + half_sine) : 0.0;
    double h = 2.0 * half_sine * (phi * half_cosine - half_sine);
    double second = 0.5 * lambda * g_of(phi, s, cosine), first = 4.0 / 3.0 * lambda * lambda * h;
    double c = 2.0 / (first + sqrt(first * first + 4.0 * second));
    /* implicit function: derivatives of second c^2 + first c = 1 */
    double by_c = 2.0 * second * c + first;
    double by_phi = lambda * phi * c * cosine * (2.0 * s * c + 4.0 / 3.0 * lambda);
    double c_phi = -by_phi / by_c, c_extra = -(second * c + 2.0 * first) * c / by_c;
    double a = c * cosine, ring = s * cosine + phi, pull = lambda * c * c * ring;
    double a_phi = c_phi * cosine - c * s, a_extra = c_extra * cosine;
    double depth = 4.0 / 3.0 * lambda * c * s;
    return (struct transition_point){
        .u = a * a - depth,
        .f = a * a * a - pull,
        .radius = a,
        .u_p = -phi * (2.0 * a * a_phi - 4.0 / 3.0 * lambda * (c_phi * s + c * cosine)),
        .f_p = -phi *
               (3.0 * a * a * a_phi - 2.0 * lambda * c * (c_phi * ring + c * cosine * cosine)),
        .u_extra = 2.0 * a * a_extra - depth * (1.0 + c_extra / c),
        .f_extra = 3.0 * a * a * a_extra - pull * (1.0 + 2.0 * c_extra / c),
    };
}

/* maugis_at() in lanes, in three passes, so that a processor works at several p at a time. */
LANES_CLONES static void maugis_points(const void *of, const lanes *p, size_t groups,
                                       struct points_four *out)
{
    const double *number = of, lambda = number[0], p_low = number[1];
    const lanes zero = {0};
    struct {
        lanes phi, half_sine, half_cosine, cosine, g, h;
    } at[POINTS_GROUPS];
    for (size_t k = 0; k < groups; k++) {
        at[k].phi = lanes_exp(-p[k]);
        lanes_sine_cosine(0.5 * at[k].phi, &at[k].half_sine, &at[k].half_cosine);
    }
    for (size_t k = 0; k < groups; k++) {
        lanes phi = at[k].phi, x = 2.0 * phi, x2 = x * x, half_sine = at[k].half_sine;
        lanes half_cosine = at[k].half_cosine, s = 2.0 * half_sine * half_cosine;
        lanes cosine = (half_cosine - half_sine) * (half_cosine + half_sine);
        at[k].cosine = cosine = lanes_select(p[k] > p_low, cosine, zero);
        at[k].g = lanes_select(x > 1.0, s * cosine - phi * (cosine * cosine - s * s),
                               x * x2 * lanes_polynomial(g_series, G_TERMS, x2));
        at[k].h = 2.0 * half_sine * (phi * half_cosine - half_sine);
    }
    for (size_t k = 0; k < groups; k++) {
        lanes phi = at[k].phi, cosine = at[k].cosine, s = 2.0 * at[k].half_sine * at[k].half_cosine;
        lanes second = 0.5 * lambda * at[k].g, first = 4.0 / 3.0 * lambda * lambda * at[k].h;
        lanes root = lanes_sqrt(first * first + 4.0 * second); /* 2 second c + first */
        lanes both = 1.0 / ((first + root) * root);
        lanes c = 2.0 * root * both, per_c = -c * (first + root) * both;
        lanes c_phi = lambda * phi * cosine * (2.0 * s * c + 4.0 / 3.0 * lambda) * per_c;
        lanes c_extra = (second * c + 2.0 * first) * per_c;
        lanes a = c * cosine, ring = s * cosine + phi;
        lanes a_phi = c_phi * cosine - c * s, a_extra = c_extra * cosine;
        lanes of_c = lambda * c, c_extra_c = c + c_extra;
        out[k].u = a * a - 4.0 / 3.0 * of_c * s;
        out[k].f = a * a * a - of_c * c * ring;
        out[k].u_p = -phi * (2.0 * a * a_phi - 4.0 / 3.0 * lambda * (c_phi * s + c * cosine));
        out[k].f_p = -phi *
                     (3.0 * a * a * a_phi - 2.0 * of_c * (c_phi * ring + c * cosine * cosine));
        out[k].u_extra = 2.0 * a * a_extra - 4.0 / 3.0 * lambda * s * c_extra_c;
        out[k].f_extra = 3.0 * a * a * a_extra - of_c * ring * (c_extra_c + c_extra);
    }
}

struct transition maugis_of(double lambda)
{
    double p_low = -log(M_PI_2);
    return (struct transition){
        .p_low = p_low, .at = maugis_at, .points = maugis_points, .number = {lambda, p_low}};
}

TRANSITION(maugis)

const struct contact_model contact_maugis = {
    .name = "maugis",
    .title = "Maugis-Dugdale sphere: adhesive contacts between DMT and JKR",
    .formula =
        "F = K a^3/R - 2 sigma0 [a sqrt(c^2-a^2) + c^2 acos(a/c)], delta = a^2/R - (8 sigma0/3K) "
        "sqrt(c^2-a^2), K = 4/3 E*; c from the opening w/sigma0 at the ring's edge",
    .source = "D. Maugis, J. Colloid Interface Sci. 150 (1992) 243",
    .limits = "contact radius well below R; lambda from 0.01 (DMT) to 20 (JKR); an adhesion stress "
              "that is constant up to its range",
    TRANSITION_FUNCTIONS(maugis),
};
