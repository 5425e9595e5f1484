/* Tabulation: the equation gives chi and g at contact radii; a Chebyshev series in the contact
 * radius makes functions of them, and these, turned round, are kept as a quintic spline in chi,
 * which is quick. */
#include "contact/layer.h"

#include "contact/chebyshev.h"
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
    struct jet c = chebyshev_at(s->chi_per_alpha, TERMS, s->length, alpha);
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
        ratio[i % 2] = turned(chebyshev_at(s->ratio, TERMS, s->length, alpha), chi);
        radius[i % 2] = turned(inverse_of(chebyshev_at(s->chi_per_alpha, TERMS, s->length, alpha)),
                               chi);
        if (i == 0) continue;
        quintic_between(ratio[(i + 1) % 2], ratio[i % 2], step, out->ratio.cell[i - 1]);
        quintic_between(radius[(i + 1) % 2], radius[i % 2], step, out->radius.cell[i - 1]);
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
        layer_equation_solve(equation, shape, chebyshev_node(j, TERMS, s.length), &chi[j],
                             &ratio[j]);
    layer_equation_free(equation);
    chebyshev_fit(chi, TERMS, s.chi_per_alpha);
    chebyshev_fit(ratio, TERMS, s.ratio);
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
