#include "contact/unloading.h"

#include <math.h>

double area_at(const struct area_function *f, double h)
{
    double area = NAN, t;
    switch (f->shape) {
    case AREA_function:
        area = h * (f->quadratic * h + f->linear_m) + f->constant_m2;
        break;
    case AREA_paraboloid:
        area = 2.0 * M_PI * f->radius_m * h;
        break;
    case AREA_sphere:
        area = h <= f->radius_m ? M_PI * h * (2.0 * f->radius_m - h) : NAN;
        break;
    case AREA_cone:
        t = h * tan(f->half_angle_rad);
        area = M_PI * t * t;
        break;
    case AREA_pyramid:
        t = h * tan(f->face_angle_rad);
        area = 4.0 * t * t;
        break;
    case AREA_berkovich: /* of the ideal tip: Oliver and Pharr 1992, from memory */
        area = 24.5 * h * h;
        break;
    case AREA_COUNT:
        break;
    }
    area *= f->factor;
    return h > 0 && area > 0 ? area : NAN;
}

struct unloading_state unloading_at(const struct unloading_law *law, double force_n,
                                    double stiffness_n_per_m, double depth_m)
{
    struct unloading_state s = {.contact_depth_m = depth_m -
                                                   law->epsilon * force_n / stiffness_n_per_m};
    s.area_m2 = area_at(&law->area, s.contact_depth_m);
    s.reduced_modulus_pa = 0.5 * sqrt(M_PI / s.area_m2) * stiffness_n_per_m / law->beta;
    s.hardness_pa = force_n / s.area_m2;
    return s;
}

double unloading_area(const struct unloading_law *law, double stiffness_n_per_m,
                      double reduced_modulus_pa)
{
    double width = stiffness_n_per_m / (law->beta * reduced_modulus_pa);
    return 0.25 * M_PI * width * width;
}

double unloading_force(const struct unloading_curve *c, double depth_m, double *stiffness_n_per_m)
{
    double over = depth_m - c->residual_m;
    double force = over > 0 ? c->b * pow(over, c->exponent) : 0.0;
    *stiffness_n_per_m = over > 0 ? c->exponent * force / over : 0.0;
    return force;
}
