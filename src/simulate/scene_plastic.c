#include "simulate/scene_plastic.h"

#include <math.h>

static const double exponent = 1.4, epsilon = 0.75;

struct plastic plastic_of(double spring_n_per_m, double half_angle_rad, double hardness_pa,
                          double reduced_modulus_pa, double peak_force_n)
{
    double area = peak_force_n / hardness_pa;
    double stiffness = 2.0 * reduced_modulus_pa * sqrt(area / M_PI);
    double elastic = peak_force_n / stiffness; /* P/S */
    struct plastic p = {.spring_n_per_m = spring_n_per_m};
    p.depth_m = sqrt(area / M_PI) / tan(half_angle_rad) + epsilon * elastic;
    p.loading = peak_force_n / (p.depth_m * p.depth_m);
    p.back.exponent = exponent;
    p.back.residual_m = p.depth_m - exponent * elastic;
    p.back.b = peak_force_n / pow(exponent * elastic, exponent);
    return p;
}

/* x = h + F(h)/k by bisection: slow and sure. */
static double depth_under(const struct plastic *p, const struct unloading_curve *curve, double x)
{
    double low = 0, high = x, slope;
    for (int i = 0; i < 60; i++) {
        double h = 0.5 * (low + high);
        if (h + unloading_force(curve, h, &slope) / p->spring_n_per_m < x)
            low = h;
        else
            high = h;
    }
    return 0.5 * (low + high);
}

void plastic_deflection(const struct plastic *p, int unloading, const double *x, size_t n,
                        double *d)
{
    const struct unloading_curve go = {p->loading, 0.0, 2.0};
    const struct unloading_curve *curve = unloading ? &p->back : &go;
    for (size_t i = 0; i < n; i++)
        d[i] = x[i] > curve->residual_m ? x[i] - depth_under(p, curve, x[i]) : 0.0;
}
