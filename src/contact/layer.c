/* Tabulation: the equation gives chi and g at contact radii; a Chebyshev series in the contact
 * radius makes functions of them, and these, turned round, are kept as a quintic spline in chi,
 * which is quick. */
#include "contact/layer.h"

#include "contact/layer_equation.h"

#include <math.h>
#include <stdlib.h>

enum { TERMS = 64, CELLS = 256 };

/* Contact radii over h that reach past LAYER_CHI_MAX for any Poisson's ratio and base. */
static const double largest_alpha[] = {7.5, 6.0, LAYER_CHI_MAX};

/* Function of chi: six coefficients a cell, in the cell's own variable 0..1. */
struct spline {
    double cell[CELLS][6];
    double end, power; /* at LAYER_CHI_MAX: value, d ln/d ln chi */
};

struct layer {
    enum layer_shape shape;
    bool sliding;
    double poisson_ratio;
    struct spline ratio, radius; /* radius: (a/h)/chi */
};

/* A function and its first two derivatives. */
struct jet {
    double f, f1, f2;
};

/* Chebyshev coefficients from values at the TERMS nodes of the interval. */
static void series_fit(const double *values, double *series)
{
    for (int k = 0; k < TERMS; k++) {
        double sum = 0;
        for (int j = 0; j < TERMS; j++)
            sum += values[j] * cos(M_PI * k * (j + 0.5) / TERMS);
        series[k] = (k ? 2.0 : 1.0) * sum / TERMS;
    }
}

static double series_node(int j, double length)
{
    return 0.5 * length * (1.0 + cos(M_PI * (j + 0.5) / TERMS));
}

/* Sum of c_k T_k and derivatives, at x in [0, length]; recurrences upwards. */
static struct jet series_at(const double *c, double length, double x)
{
    double y = 2.0 * x / length - 1.0, per = 2.0 / length;
    struct jet before = {1, 0, 0}, now = {y, 1, 0};
    struct jet sum = {c[0] + c[1] * y, c[1], 0};
    for (int k = 2; k < TERMS; k++) {
        struct jet next = {2 * y * now.f - before.f, 2 * now.f + 2 * y * now.f1 - before.f1,
                           4 * now.f1 + 2 * y * now.f2 - before.f2};
        before = now;
        now = next;
        sum.f += c[k] * now.f;
        sum.f1 += c[k] * now.f1;
        sum.f2 += c[k] * now.f2;
    }
    return (struct jet){sum.f, sum.f1 * per, sum.f2 * per * per};
}

/* Quintic between two jets a step apart (Hermite). */
static void cell_fit(struct jet a, struct jet b, double step, double c[6])
{
    double f = b.f - a.f, s = step * a.f1, t = step * b.f1, p = step * step * a.f2,
           q = step * step * b.f2;
    c[0] = a.f;
    c[1] = s;
    c[2] = 0.5 * p;
    c[3] = 10 * f - 6 * s - 4 * t - 1.5 * p + 0.5 * q;
    c[4] = -15 * f + 8 * s + 7 * t + 1.5 * p - q;
    c[5] = 6 * f - 3 * s - 3 * t - 0.5 * p + 0.5 * q;
}

/* f(alpha) as a function of chi(alpha). */
static struct jet turned(struct jet f, struct jet chi)
{
    double per = 1.0 / chi.f1, slope = f.f1 * per;
    return (struct jet){f.f, slope, (f.f2 - slope * chi.f2) * per * per};
}

static struct jet inverse_of(struct jet f)
{
    double v = 1.0 / f.f;
    return (struct jet){v, -f.f1 * v * v, (2 * f.f1 * f.f1 * v - f.f2) * v * v};
}

/* The two series, and what follows from them at a chi. */
struct series {
    double length, chi_per_alpha[TERMS], ratio[TERMS];
};

static struct jet chi_at(const struct series *s, double alpha)
{
    struct jet c = series_at(s->chi_per_alpha, s->length, alpha);
    return (struct jet){alpha * c.f, c.f + alpha * c.f1, 2 * c.f1 + alpha * c.f2};
}

static double alpha_of(const struct series *s, double chi, double start)
{
    double alpha = start;
    for (int i = 0; i < 50; i++) {
        struct jet at = chi_at(s, alpha);
        double step = (at.f - chi) / at.f1;
        alpha = fmin(fmax(alpha - step, 0.0), s->length);
        if (fabs(step) <= 1e-15 * s->length) break;
    }
    return alpha;
}

static void spline_end(struct spline *s)
{
    const double *c = s->cell[CELLS - 1];
    s->end = c[0] + c[1] + c[2] + c[3] + c[4] + c[5];
    s->power = (c[1] + 2 * c[2] + 3 * c[3] + 4 * c[4] + 5 * c[5]) * CELLS / s->end;
}

static void tabulate(const struct series *s, struct layer *out)
{
    const double step = LAYER_CHI_MAX / CELLS;
    struct jet ratio[2], radius[2];
    double alpha = 0;
    for (int i = 0; i <= CELLS; i++) {
        alpha = alpha_of(s, i * step, alpha);
        struct jet chi = chi_at(s, alpha);
        ratio[i % 2] = turned(series_at(s->ratio, s->length, alpha), chi);
        radius[i % 2] = turned(inverse_of(series_at(s->chi_per_alpha, s->length, alpha)), chi);
        if (i == 0) continue;
        cell_fit(ratio[(i + 1) % 2], ratio[i % 2], step, out->ratio.cell[i - 1]);
        cell_fit(radius[(i + 1) % 2], radius[i % 2], step, out->radius.cell[i - 1]);
    }
    spline_end(&out->ratio);
    spline_end(&out->radius);
}

enum status layer_new(enum layer_shape shape, bool sliding_base, double poisson_ratio,
                      struct layer **out, struct report *rep)
{
    struct series s = {.length = largest_alpha[shape]};
    double chi[TERMS], ratio[TERMS];
    struct layer_equation *equation = layer_equation_new(sliding_base, poisson_ratio);
    *out = malloc(sizeof **out);
    if (!equation || !*out) {
        layer_equation_free(equation);
        free(*out);
        *out = NULL;
        return fail(rep, ST_MEMORY, "not enough memory for the contact with a layer");
    }
    for (int j = 0; j < TERMS; j++)
        layer_equation_solve(equation, shape, series_node(j, s.length), &chi[j], &ratio[j]);
    layer_equation_free(equation);
    series_fit(chi, s.chi_per_alpha);
    series_fit(ratio, s.ratio);
    (*out)->shape = shape;
    (*out)->sliding = sliding_base;
    (*out)->poisson_ratio = poisson_ratio;
    tabulate(&s, *out);
    return ST_OK;
}

void layer_free(struct layer *layer)
{
    free(layer);
}

bool layer_is_for(const struct layer *layer, enum layer_shape shape, bool sliding_base,
                  double poisson_ratio)
{
    return layer->shape == shape && layer->sliding == sliding_base &&
           (sliding_base || layer->poisson_ratio == poisson_ratio);
}

static double spline_at(const struct spline *s, double chi, double *slope)
{
    if (!(chi < LAYER_CHI_MAX)) {
        double f = s->end * pow(chi / LAYER_CHI_MAX, s->power);
        *slope = s->power * f / chi;
        return f;
    }
    double x = chi * (CELLS / LAYER_CHI_MAX);
    int i = (int)x;
    const double *c = s->cell[i];
    x -= i;
    *slope = (CELLS / LAYER_CHI_MAX) *
             (c[1] + x * (2 * c[2] + x * (3 * c[3] + x * (4 * c[4] + x * 5 * c[5]))));
    return c[0] + x * (c[1] + x * (c[2] + x * (c[3] + x * (c[4] + x * c[5]))));
}

double layer_ratio(const struct layer *layer, double chi, double *slope)
{
    return spline_at(&layer->ratio, chi, slope);
}

double layer_contact(const struct layer *layer, double chi)
{
    double slope;
    return chi * spline_at(&layer->radius, chi, &slope);
}
