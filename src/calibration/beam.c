#include "calibration/beam.h"

#include <math.h>

double beam_spring_constant(const struct beam *b)
{
    double slender = b->thickness_m / b->length_m;
    return 0.25 * b->modulus_pa * b->width_m * slender * slender * slender;
}

double beam_resonance_hz(const struct beam *b)
{
    double alpha = beam_mode(1).alpha;
    return alpha * alpha / (2 * M_PI) * b->thickness_m / (b->length_m * b->length_m) *
           sqrt(b->modulus_pa / (12 * b->density_kg_m3));
}

double beam_mass_kg(const struct beam *b)
{
    return b->density_kg_m3 * b->width_m * b->thickness_m * b->length_m;
}

double beam_effective_mass_kg(const struct beam *b)
{
    return 3 / pow(beam_mode(1).alpha, 4) * beam_mass_kg(b);
}

/* Root of cos(a) + 1/cosh(a) near (n - 1/2) pi: this form stays small where cosh grows. */
static double root(int n)
{
    double a = (n - 0.5) * M_PI;
    for (int i = 0; i < 20; i++)
        a -= (cos(a) + 1 / cosh(a)) / (-sin(a) - tanh(a) / cosh(a));
    return a;
}

struct beam_mode beam_mode(int n)
{
    struct beam_mode m = {.alpha = root(n)};
    double a = m.alpha, th = tanh(a);
    m.slope = a * th * sin(a) / (sin(a) - cos(a) * th);
    m.share = 12 / (a * a * a * a);
    m.apparent_over_true = 2.0 / 3.0 * m.slope;
    m.share_apparent = m.share * m.apparent_over_true * m.apparent_over_true;
    return m;
}

static double shear_modulus(const struct beam *b, double poisson)
{
    return b->modulus_pa / (2 * (1 + poisson));
}

double beam_torsion_thin(const struct beam *b, double poisson)
{
    return shear_modulus(b, poisson) * b->width_m * pow(b->thickness_m, 3) / (3 * b->length_m);
}

double beam_torsion(const struct beam *b, double poisson)
{
    /* The series is that of tanh(n pi w/(2 t))/n^5 over odd n. With tanh x = 1 - 2/(exp(2 x) + 1)
     * the ones make 31/32 zeta(5), and the rest is done after a few terms: this runs in each draw.
     */
    double ratio = b->width_m / b->thickness_m, sum = 31.0 / 32 * 1.0369277551433699, term = 1;
    for (int n = 1; n < 9999 && term > 1e-18; n += 2) {
        term = 2 / (exp(n * M_PI * ratio) + 1) / pow(n, 5);
        sum -= term;
    }
    return beam_torsion_thin(b, poisson) * (1 - 192 / (pow(M_PI, 5) * ratio) * sum);
}

double beam_torsion_from_spring(double spring_n_per_m, double length_m, double poisson)
{
    return 2 * spring_n_per_m * length_m * length_m / (3 * (1 + poisson));
}

double beam_lateral(double torsion_n_m, double tip_height_m)
{
    return torsion_n_m / (tip_height_m * tip_height_m);
}

double beam_added_mass(double mass_kg, double loaded_hz, double free_hz)
{
    /* the difference of squares as a product: it keeps its digits where the frequencies are near */
    double ratio = free_hz / loaded_hz;
    return 4 * M_PI * M_PI * mass_kg * free_hz * free_hz / ((ratio - 1) * (ratio + 1));
}
