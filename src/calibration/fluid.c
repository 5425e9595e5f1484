#include "calibration/fluid.h"

#include <math.h>

const struct fluid_row fluid_rows[FLUID_COUNT] = {
#define F(name, low, high, source) {#name, low, high, source},
    FLUID_LIST(F)
#undef F
};

/* --- presets --- */

static struct fluid air(double t)
{
    const double gas = 8.314462618, molar = 28.9655e-3, pressure = 101325;
    double rho = pressure * molar / (gas * t), eta = 1.458e-6 * t * sqrt(t) / (t + 110.4);
    /* weather and altitude move the pressure by some per cent, moisture the density by one */
    return (struct fluid){rho, eta, 0.02 * rho, 0.01 * eta};
}

static struct fluid water(double kelvin)
{
    static const double a[4] = {280.68, 511.45, 61.131, 0.45903}, b[4] = {-1.9, -7.7, -19.6, -40};
    double t = kelvin - 273.15, cold = t - 3.983035, eta = 0;
    double rho = 999.974950 * (1 - cold * cold * (t + 301.797) / (522528.9 * (t + 69.34881)));
    for (int i = 0; i < 4; i++)
        eta += 1e-6 * a[i] * pow(kelvin / 300, b[i]);
    return (struct fluid){rho, eta, 1e-3 * rho, 0.01 * eta}; /* buffers differ more: give them */
}

enum status fluid_at(enum fluid_id id, double temperature_k, struct fluid *out, struct report *rep)
{
    const struct fluid_row *row = &fluid_rows[id];
    if (!(temperature_k >= row->low_k && temperature_k <= row->high_k))
        return fail(rep, ST_INPUT,
                    "the preset '%s' holds from %g to %g K, not at %g K; give the density and the "
                    "viscosity of the fluid instead",
                    row->name, row->low_k, row->high_k, temperature_k);
    *out = id == FLUID_air ? air(temperature_k) : water(temperature_k);
    return ST_OK;
}

/* --- hydrodynamic function --- */

double fluid_reynolds(const struct fluid *f, double width_m, double frequency_hz)
{
    return f->density_kg_m3 * 2 * M_PI * frequency_hz * width_m * width_m / (4 * f->viscosity_pa_s);
}

/* K1(z)/K0(z) from K_n(z) = int_0^inf exp(-z cosh t) cosh(n t) dt (M. Abramowitz, I. A.
 * Stegun, 9.6.24) by the trapezoidal rule, which converges exponentially here (L. N. Trefethen, J.
 * A. C. Weideman, SIAM Rev. 56 (2014) 385). Both have the factor exp(-z), which is left out. */
static double complex bessel_ratio(double complex z)
{
    double h = fmin(0.05, 0.25 / sqrt(cabs(z)));
    double complex k0 = 0.5, k1 = 0.5;
    for (double t = h;; t += h) {
        double rise = 2 * sinh(t / 2) * sinh(t / 2); /* cosh t - 1 */
        if (creal(z) * rise > 45 + t) break;
        double complex e = cexp(-z * rise);
        k0 += e;
        k1 += e * cosh(t);
    }
    return k1 / k0;
}

double complex fluid_circle(double reynolds)
{
    double complex root = sqrt(reynolds) * (1 + I) / sqrt(2.0); /* sqrt(i Re) */
    return 1 + 4 * I * bessel_ratio(-I * root) / root;
}

static double polynomial(const double *c, int n, double x)
{
    double sum = 0;
    for (int i = n - 1; i >= 0; i--)
        sum = sum * x + c[i];
    return sum;
}

double complex fluid_rectangle_correction(double reynolds)
{
    static const double re_above[7] = {0.91324,  -0.48274,   0.46842,   -0.12886,
                                       0.044055, -0.0035117, 0.00069085},
                        re_below[7] = {1,        -0.56964,   0.48690,   -0.13444,
                                       0.045155, -0.0035862, 0.00069085},
                        im_above[6] = {-0.024134,   -0.029256,   0.016294,
                                       -0.00010961, 0.000064577, -0.000044510},
                        im_below[7] = {1,        -0.59702,  0.55182,  -0.18357,
                                       0.079156, -0.014369, 0.0028361};
    double tau = log10(reynolds);
    return polynomial(re_above, 7, tau) / polynomial(re_below, 7, tau) +
           I * polynomial(im_above, 6, tau) / polynomial(im_below, 7, tau);
}

double complex fluid_rectangle(double reynolds)
{
    return fluid_rectangle_correction(reynolds) * fluid_circle(reynolds);
}

double fluid_sader(const struct fluid *f, double width_m, double length_m, double frequency_hz,
                   double quality)
{
    double omega = 2 * M_PI * frequency_hz;
    double gamma = cimag(fluid_rectangle(fluid_reynolds(f, width_m, frequency_hz)));
    return SADER_CONSTANT * f->density_kg_m3 * width_m * width_m * length_m * quality * gamma *
           omega * omega;
}
