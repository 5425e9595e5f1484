/* The integral equation of layer_equation.h by Gauss-Legendre quadrature (method of Nystroem). The
 * kernel is a sum over wave numbers of products, so with B = sqrt(weights) cos(u_m t_j) the system
 * is I - B'B, symmetric and positive definite because 0 < L < 1. */
#include "contact/layer_equation.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>

/* 1 - L decays as u^2 exp(-2u): beyond 22 it is 1e-16. Numbers of nodes for which GSL holds the
 * abscissae to full precision; others it computes on the spot, to 1e-10 only. Twice as many nodes
 * change no result up to alpha = 7.5 by more than 2e-10, up to alpha = 4 by more than 1e-12. */
enum { RADII = 32, WAVES = 96 };
static const double largest_wave = 22.0;

struct layer_equation {
    double wave[WAVES], weight[WAVES]; /* weight: (2/pi) (1 - L) du */
    double t[RADII], root[RADII];      /* nodes on [0,1], square roots of their weights */
    gsl_matrix *b, *system;            /* [WAVES][RADII], [RADII][RADII] */
    gsl_vector *pressed, *shaped;      /* solutions times root for g = 1 and g = the tip's shape */
    gsl_vector *along;                 /* [WAVES] */
};

double layer_softening(bool sliding, double poisson_ratio, double u)
{
    double e = exp(-2.0 * u), k = 3.0 - 4.0 * poisson_ratio;
    if (sliding) return 2.0 * e * (1.0 - e + 2.0 * u) / (1.0 - e * e + 4.0 * u * e);
    double square = 1.0 + k * k + 4.0 * u * u;
    return e * (2.0 * k * e + square + 4.0 * u) / (k * (1.0 + e * e) + square * e);
}

static bool fill_nodes(struct layer_equation *e, bool sliding, double poisson_ratio)
{
    gsl_integration_glfixed_table *waves = gsl_integration_glfixed_table_alloc(WAVES);
    gsl_integration_glfixed_table *radii = gsl_integration_glfixed_table_alloc(RADII);
    for (size_t m = 0; waves && m < WAVES; m++) {
        gsl_integration_glfixed_point(0.0, largest_wave, m, &e->wave[m], &e->weight[m], waves);
        e->weight[m] *= M_2_PI * layer_softening(sliding, poisson_ratio, e->wave[m]);
    }
    for (size_t j = 0; radii && j < RADII; j++) {
        gsl_integration_glfixed_point(0.0, 1.0, j, &e->t[j], &e->root[j], radii);
        e->root[j] = sqrt(e->root[j]);
    }
    bool good = waves && radii;
    if (waves) gsl_integration_glfixed_table_free(waves);
    if (radii) gsl_integration_glfixed_table_free(radii);
    return good;
}

struct layer_equation *layer_equation_new(bool sliding, double poisson_ratio)
{
    struct layer_equation *e = calloc(1, sizeof *e);
    if (!e) return NULL;
    e->b = gsl_matrix_alloc(WAVES, RADII);
    e->system = gsl_matrix_alloc(RADII, RADII);
    e->pressed = gsl_vector_alloc(RADII);
    e->shaped = gsl_vector_alloc(RADII);
    e->along = gsl_vector_alloc(WAVES);
    if (e->b && e->system && e->pressed && e->shaped && e->along &&
        fill_nodes(e, sliding, poisson_ratio))
        return e;
    layer_equation_free(e);
    return NULL;
}

void layer_equation_free(struct layer_equation *e)
{
    if (!e) return;
    gsl_matrix_free(e->b);
    gsl_matrix_free(e->system);
    gsl_vector_free(e->pressed);
    gsl_vector_free(e->shaped);
    gsl_vector_free(e->along);
    free(e);
}

static void set_system(struct layer_equation *e, double alpha)
{
    for (size_t m = 0; m < WAVES; m++)
        for (size_t j = 0; j < RADII; j++)
            gsl_matrix_set(e->b, m, j,
                           sqrt(alpha * e->weight[m]) * e->root[j] *
                               cos(e->wave[m] * alpha * e->t[j]));
    gsl_matrix_set_identity(e->system);
    gsl_blas_dsyrk(CblasLower, CblasTrans, -1.0, e->b, 1.0, e->system);
    gsl_linalg_cholesky_decomp1(e->system);
}

/* Replace the right-hand side by the solution (both times root); returns its value at the rim,
 * where the right-hand side is `g_rim`, and its integral over [0,1]. */
static double solve(struct layer_equation *e, double alpha, gsl_vector *v, double g_rim,
                    double *integral)
{
    gsl_linalg_cholesky_svx(e->system, v);
    gsl_blas_dgemv(CblasNoTrans, 1.0, e->b, v, 0.0, e->along);
    double rim = g_rim;
    for (size_t m = 0; m < WAVES; m++)
        rim += sqrt(alpha * e->weight[m]) * cos(e->wave[m] * alpha) * gsl_vector_get(e->along, m);
    *integral = 0;
    for (size_t j = 0; j < RADII; j++)
        *integral += e->root[j] * gsl_vector_get(v, j);
    return rim;
}

void layer_equation_solve(struct layer_equation *e, enum layer_shape shape, double alpha,
                          double *chi_per_alpha, double *ratio)
{
    double pressed, shaped, per = shape == LAYER_CONE ? M_PI_2 : 1.0;
    set_system(e, alpha);
    for (size_t j = 0; j < RADII; j++) {
        gsl_vector_set(e->pressed, j, e->root[j]);
        gsl_vector_set(e->shaped, j, e->root[j] * per * (per > 1.0 ? e->t[j] : e->t[j] * e->t[j]));
    }
    double pressed_rim = solve(e, alpha, e->pressed, 1.0, &pressed);
    *chi_per_alpha = 1.0;
    *ratio = pressed;
    if (shape == LAYER_PUNCH) return;
    /* delta, in units of h alpha^2 h/R (paraboloid) or h alpha/tan (cone) */
    double depth = solve(e, alpha, e->shaped, per, &shaped) / pressed_rim;
    double force = depth * pressed - shaped;
    *chi_per_alpha = shape == LAYER_CONE ? depth : sqrt(depth);
    *ratio = shape == LAYER_CONE ? M_PI * force / (depth * depth)
                                 : 1.5 * force / (depth * sqrt(depth));
}
