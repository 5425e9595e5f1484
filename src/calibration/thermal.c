#include "calibration/thermal.h"

#include "calibration/beam.h"

#include <math.h>

const char *const motion_names[MOTION_COUNT] = {
#define M(name, words) #name,
    MOTION_LIST(M)
#undef M
};
const char *const motion_words[MOTION_COUNT] = {
#define M(name, words) words,
    MOTION_LIST(M)
#undef M
};

double thermal_share(enum motion motion, enum band band)
{
    struct beam_mode first = beam_mode(1);
    if (band == BAND_whole) return motion == MOTION_contact ? 4.0 / 3.0 : 1.0;
    return motion == MOTION_contact ? first.share_apparent : first.share;
}

double thermal_twist_share(enum band band)
{
    return band == BAND_whole ? 1.0 : 8 / (M_PI * M_PI);
}

double thermal_spring_constant(double temperature_k, double sensitivity_m_per_v, double area_v2,
                               double share)
{
    return share * BOLTZMANN_J_PER_K * temperature_k /
           (sensitivity_m_per_v * sensitivity_m_per_v * area_v2);
}

double thermal_sensitivity(double temperature_k, double spring_n_per_m, double area_v2,
                           double share)
{
    return sqrt(share * BOLTZMANN_J_PER_K * temperature_k / (spring_n_per_m * area_v2));
}

double thermal_density(double area, double resonance_hz, double quality, double f_hz)
{
    double x = f_hz / resonance_hz, y = 1 - x * x, z = x / quality;
    return 2 * area / (M_PI * resonance_hz * quality) / (y * y + z * z);
}
