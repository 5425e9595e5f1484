/** What surrounds the lever, and what it does to it: density, viscosity, hydrodynamic function. */
#ifndef CANTLE_CALIBRATION_FLUID_H
#define CANTLE_CALIBRATION_FLUID_H

#include "base/status.h"

#include <complex.h>

struct fluid {
    double density_kg_m3, viscosity_pa_s;
    double density_u,
        viscosity_u; /**< standard uncertainties of the preset at a known temperature */
};

/** One row a preset: word, function, validity in kelvin, source. */
#define FLUID_LIST(F)                                                                              \
    F(air, 230, 350,                                                                               \
      "dry air at 101325 Pa: ideal gas, M = 28.9655 g/mol; viscosity 1.458e-6 T^1.5/(T + 110.4), " \
      "U.S. Standard Atmosphere 1976, eq. 51")                                                     \
    F(water, 273.15, 313.15,                                                                       \
      "pure water at 0.1 MPa: density M. Tanaka et al., Metrologia 38 (2001) 301; viscosity "      \
      "IAPWS SR6-08 (M. L. Huber et al., J. Phys. Chem. Ref. Data 38 (2009) 101)")

enum fluid_id {
#define F(name, low, high, source) FLUID_##name,
    FLUID_LIST(F)
#undef F
        FLUID_COUNT
};
struct fluid_row {
    const char *name;
    double low_k, high_k;
    const char *source;
};
extern const struct fluid_row fluid_rows[FLUID_COUNT];

/** A preset at a temperature. Errors: ST_INPUT outside its validity. */
enum status fluid_at(enum fluid_id id, double temperature_k, struct fluid *out,
                     struct report *rep) MUST_CHECK;

/** Re = rho omega b^2/(4 eta), b the full width. */
double fluid_reynolds(const struct fluid *f, double width_m, double frequency_hz);

/** Hydrodynamic function of a long cylinder of circular cross-section: 1 + 4 i K1(x)/(sqrt(i Re)
 *  K0(x)), x = -i sqrt(i Re). J. E. Sader, J. Appl. Phys. 84 (1998) 64, eq. 20. */
double complex fluid_circle(double reynolds);
/** Its correction for a thin rectangle, rational in log10 Re, eq. 21; 1e-6 <= Re <= 1e4, stated
 *  accuracy 0.1 %. */
double complex fluid_rectangle_correction(double reynolds);
/** Hydrodynamic function of a thin rectangle: the product of both. */
double complex fluid_rectangle(double reynolds);

/** k = 0.1906 rho b^2 L Q Gamma_i(omega) omega^2, omega = 2 pi f of the first resonance in the
 * fluid; for rectangles much longer than wide, and Q well above 1. J. E. Sader, J. W. M. Chon, P.
 * Mulvaney, Rev. Sci. Instrum. 70 (1999) 3967. */
double fluid_sader(const struct fluid *f, double width_m, double length_m, double frequency_hz,
                   double quality);
/** The printed constant; 3 pi/(4 alpha1^4) = 0.190594 exactly. */
#define SADER_CONSTANT 0.1906

#endif
