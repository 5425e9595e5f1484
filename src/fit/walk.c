#include "fit/walk.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>

/* The line through r at 0 .. n - 1. */
static void line_of(const double *r, size_t n, double *middle, double *slope)
{
    double sum = 0, along = 0, half = 0.5 * (double)(n - 1), size = (double)n;
    for (size_t i = 0; i < n; i++) {
        sum += r[i];
        along += r[i] * ((double)i - half);
    }
    *middle = sum / size;
    *slope = 12.0 * along / (size * (size * size - 1.0));
}

bool walk_look(const double *r, size_t n, struct walk_curve *out)
{
    double rest = 0, held = 0, middle, slope, half = 0.5 * (double)(n - 1);
    *out = (struct walk_curve){0};
    if (n < WALK_SHORTEST) return false;
    line_of(r, n, &middle, &slope);
    for (int j = 0; j <= WALK_LAST; j++) {
        double step = M_PI * j / (double)n, twice = 2.0 * cos(step), now = cos(0.5 * step);
        double before = now, sum = 0, square = 0; /* cos(-x) = cos(x) starts the recurrence */
        for (size_t i = 0; i < n; i++) {
            double x = r[i] - middle - slope * ((double)i - half);
            sum += x * now;
            square += x * x;
            double next = twice * now - before;
            before = now, now = next;
        }
        double power = sum * sum * (j ? 2.0 : 1.0) / (double)n;
        rest = square, held += power;
        if (j >= WALK_FIRST) out->power[j - WALK_FIRST] = power;
    }
    out->level = (rest - held) / (double)(n - WALK_LAST - 1);
    if (!(out->level > 1e-12 * rest / (double)n)) return false;
    for (int i = 0; i < WALK_POWERS; i++)
        out->power[i] /= out->level;
    out->samples = (double)n;
    return true;
}

/* All powers under one shape of noise. Its expectation is linear in what is fitted: a level, what
 * other noise rises or falls by with the square of the frequency, and slow noise. */
enum { LEVEL, BEND, SLOW, TERMS };
struct pool {
    const struct walk_curve *curve;
    size_t n;
    int slope; /* 2: walk; 1: flicker, for comparison; 0: no slow noise */
    double
        unit; /* size of slow noise that equals the other at the longest wave of a typical curve */
    double share[TERMS];
    double cost; /* minus twice the log likelihood */
};

/* How many powers count: of waves of 16 samples and longer, where other noise is nearly level. */
static int powers_of(const struct walk_curve *c)
{
    const double shortest_wave = 16.0;
    int last = (int)(2.0 * c->samples / shortest_wave);
    return c->samples > 0 ? (last < WALK_LAST ? last : WALK_LAST) - WALK_FIRST + 1 : 0;
}

/* What the line that was taken off changes: it holds the odd cosines in shares r_k = 1/k^2, so a
 * coefficient becomes a_j - r_j sum_k r_k a_k / sum_k r_k^2, whose power is that of a_j times this
 * where a_k has the power k^-slope. */
static double without_line(int slope, int j)
{
    const double norm = 1.014678;                    /* sum of k^-4 over odd k: pi^4/96 */
    double mixed = slope == 2 ? 1.001447 : 1.004524; /* of k^-6 or k^-5 */
    double own = 1.0 / (j * j);
    if (j % 2 == 0) return 1.0;
    return 1.0 - 2.0 * own * own / norm + own * own * pow(j, slope) * mixed / (norm * norm);
}

/* Power of slow noise of size one at index j, in units of a curve's level. */
static double shape(int slope, const struct walk_curve *c, int j)
{
    double wave = 0.5 / sin(0.5 * M_PI * j / c->samples);
    return (slope == 2 ? wave * wave : wave) / c->level;
}

/* The terms at the i-th power of a curve, and the expectation they make. */
static double expected(const struct pool *p, const struct walk_curve *c, int i, double term[TERMS])
{
    const double least = 0.05; /* a power is never nil */
    int j = WALK_FIRST + i;
    double frequency = (double)j / c->samples, sum = 0;
    term[LEVEL] = 1.0;
    term[BEND] = frequency * frequency;
    term[SLOW] = p->slope ? p->unit * without_line(p->slope, j) * shape(p->slope, c, j) : 0.0;
    for (int a = 0; a < TERMS; a++)
        sum += p->share[a] * term[a];
    return fmax(sum, least);
}

/* Normal equations of the powers, each with the weight that its own expectation gives. */
static bool improve(struct pool *p, double *change)
{
    double a[TERMS * TERMS] = {0}, b[TERMS] = {0}, found[TERMS];
    size_t terms = p->slope ? TERMS : SLOW;
    p->cost = 0;
    for (size_t k = 0; k < p->n; k++)
        for (int i = 0, n = powers_of(&p->curve[k]); i < n; i++) {
            double term[TERMS], mean = expected(p, &p->curve[k], i, term);
            double power = p->curve[k].power[i], weight = 1.0 / (mean * mean);
            p->cost += log(mean) + power / mean;
            for (size_t r = 0; r < terms; r++) {
                b[r] += weight * term[r] * power;
                for (size_t q = 0; q < terms; q++)
                    a[r * terms + q] += weight * term[r] * term[q];
            }
        }
    gsl_matrix_view normal = gsl_matrix_view_array(a, terms, terms);
    gsl_vector_view right = gsl_vector_view_array(b, terms),
                    out = gsl_vector_view_array(found, terms);
    gsl_error_handler_t *handler = gsl_set_error_handler_off(); /* its own would end the program */
    bool solved = gsl_linalg_cholesky_decomp1(&normal.matrix) == GSL_SUCCESS;
    if (solved) gsl_linalg_cholesky_solve(&normal.matrix, &right.vector, &out.vector);
    gsl_set_error_handler(handler);
    if (!solved) return false;
    *change = 0;
    for (size_t r = 0; r < terms; r++) {
        *change = fmax(*change, fabs(found[r] - p->share[r]) / (fabs(found[r]) + 1e-3));
        p->share[r] = found[r];
    }
    return isfinite(*change);
}

/* Maximum likelihood: powers are chi-square with one degree of freedom, so weighted least squares
 * with the weights of the last round (A. Charnes et al., J. Am. Stat. Assoc. 71 (1976) 169, from
 * memory). */
static bool fit(struct pool *p)
{
    enum { ROUNDS = 60 };
    double change = 1;
    p->share[LEVEL] = 1, p->share[BEND] = p->share[SLOW] = 0;
    for (int round = 0; round < ROUNDS && change > 1e-6; round++)
        if (!improve(p, &change)) return false;
    return p->share[LEVEL] > 0;
}

static double typical_unit(const struct pool *p)
{
    double sum = 0;
    size_t used = 0;
    for (size_t k = 0; k < p->n; k++)
        if (p->curve[k].samples > 0) sum += log(shape(p->slope, &p->curve[k], 1)), used++;
    return exp(-sum / (double)used);
}

void walk_find(const struct walk_curve *curve, size_t n, struct shared_walk *out)
{
    enum { FEWEST = 16 };
    const double chance = 10.0, matters = 0.25, clearly = 15.0;
    struct pool none = {.curve = curve, .n = n}, walk = none, flicker = none;
    *out = (struct shared_walk){0};
    for (size_t k = 0; k < n; k++)
        out->curves += curve[k].samples > 0;
    if (out->curves < FEWEST) return;
    walk.slope = 2, flicker.slope = 1;
    walk.unit = typical_unit(&walk), flicker.unit = typical_unit(&flicker);
    if (!fit(&none) || !fit(&walk)) return;
    if (!fit(&flicker)) flicker.cost = none.cost;
    out->gain = none.cost - walk.cost;
    out->ratio = fmax(walk.share[SLOW], 0) / walk.share[LEVEL];
    if (out->gain > chance && walk.cost < flicker.cost + clearly + 0.02 * out->gain &&
        out->ratio >= matters)
        out->step = sqrt(walk.share[SLOW] * walk.unit);
}
