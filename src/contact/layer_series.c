#include "contact/layer_series.h"

#include <math.h>
#include <string.h>

/* The two constants of Dimitriadis et al. that hold base and Poisson's ratio. From memory. */
static void constants(bool sliding_base, double nu, double *alpha0, double *beta0)
{
    double per = 1.0 / (1.0 - nu);
    if (sliding_base) {
        *alpha0 = -0.347 * (3.0 - 2.0 * nu) * per;
        *beta0 = 0.056 * (5.0 - 2.0 * nu) * per;
    } else {
        *alpha0 = -(1.2876 - 1.4678 * nu + 1.3442 * nu * nu) * per;
        *beta0 = (0.6387 - 1.0277 * nu + 1.5164 * nu * nu) * per;
    }
}

void series_dimitriadis(bool sliding_base, double poisson_ratio, double c[SERIES_ORDER])
{
    const double pi2 = M_PI * M_PI;
    double a, b;
    constants(sliding_base, poisson_ratio, &a, &b);
    c[0] = -2.0 * a / M_PI;
    c[1] = 4.0 * a * a / pi2;
    c[2] = -8.0 / (M_PI * pi2) * (a * a * a + 4.0 * pi2 * b / 15.0);
    c[3] = 16.0 * a / (pi2 * pi2) * (a * a * a + 3.0 * pi2 * b / 5.0);
}

void series_garcia_sphere(double c[SERIES_ORDER])
{
    static const double printed[SERIES_ORDER] = {1.133, 1.497, 1.469, 0.755};
    memcpy(c, printed, sizeof printed);
}

void series_garcia_cone(double c[SERIES_ORDER])
{
    static const double printed[SERIES_ORDER] = {0.721, 0.650, 0.491, 0.225};
    memcpy(c, printed, sizeof printed);
}

void series_gavara_cone(bool sliding_base, double poisson_ratio, double c[SERIES_ORDER])
{
    double alpha0, beta0;
    constants(sliding_base, poisson_ratio, &alpha0, &beta0);
    double q = -4.0 * alpha0 / (M_PI * M_PI);
    c[0] = q;
    c[1] = q * q;
    c[2] = c[3] = 0.0;
}

static double sum(const double c[SERIES_ORDER], double x, double *slope)
{
    *slope = c[0] + x * (2.0 * c[1] + x * (3.0 * c[2] + x * 4.0 * c[3]));
    return 1.0 + x * (c[0] + x * (c[1] + x * (c[2] + x * c[3])));
}

double series_ratio(const double c[SERIES_ORDER], double chi, double *slope)
{
    if (!(chi > SERIES_CHI_MAX)) return sum(c, chi, slope);
    double end = sum(c, SERIES_CHI_MAX, slope), power = *slope * SERIES_CHI_MAX / end;
    double ratio = end * pow(chi / SERIES_CHI_MAX, power);
    *slope = power * ratio / chi;
    return ratio;
}
