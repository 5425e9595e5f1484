#include "fit/noise.h"

#include <math.h>
#include <string.h>

void noise_autocovariance(const double *r, size_t n, size_t lags, double *out)
{
    for (size_t l = 0; l <= lags; l++) {
        double sum = 0;
        for (size_t i = l; i < n; i++)
            sum += r[i] * r[i - l];
        out[l] = sum / (double)n;
    }
}

bool noise_is_white(const double *r, size_t n)
{
    const double chi_square_20_at_0_001 = 45.315; /* upper 0.1 % point, 20 degrees of freedom */
    double c[NOISE_LAGS + 1], q = 0;
    if (n < 4 * NOISE_LAGS) return true;
    noise_autocovariance(r, n, NOISE_LAGS, c);
    if (!(c[0] > 0)) return true;
    for (size_t l = 1; l <= NOISE_LAGS; l++) {
        double rho = c[l] / c[0];
        q += rho * rho / (double)(n - l);
    }
    return q * (double)n * (double)(n + 2) < chi_square_20_at_0_001;
}

size_t noise_fit(const double *r, size_t n, double phi[NOISE_MAX_ORDER], double *scratch)
{
    double *f = scratch, *b = scratch + n, power = 0, a[NOISE_MAX_ORDER] = {0};
    size_t best = 0, most = n / 16 < NOISE_MAX_ORDER ? n / 16 : NOISE_MAX_ORDER;
    memcpy(f, r, n * sizeof *f);
    memcpy(b, r, n * sizeof *b);
    for (size_t i = 0; i < n; i++)
        power += r[i] * r[i];
    power /= (double)n;
    double least = (double)n * log(power) + 2.0;
    for (size_t m = 1; m <= most && power > 0; m++) {
        double above = 0, below = 0, old[NOISE_MAX_ORDER];
        for (size_t i = m; i < n; i++) {
            above += f[i] * b[i - 1];
            below += f[i] * f[i] + b[i - 1] * b[i - 1];
        }
        double k = 2.0 * above / below; /* reflection coefficient, |k| <= 1 */
        if (!(fabs(k) < 1.0)) break;
        memcpy(old, a, sizeof old);
        for (size_t j = 0; j + 1 < m; j++)
            a[j] = old[j] - k * old[m - 2 - j];
        a[m - 1] = k;
        for (size_t i = n - 1; i >= m; i--) {
            double forward = f[i];
            f[i] = forward - k * b[i - 1];
            b[i] = b[i - 1] - k * forward;
        }
        power *= 1.0 - k * k;
        double p = (double)m + 1.0; /* the variance counts too */
        double aicc = (double)n * log(power) + 2.0 * p * (double)n / ((double)n - p - 1.0);
        if (aicc < least) {
            least = aicc;
            best = m;
            memcpy(phi, a, m * sizeof *phi);
        }
    }
    return best;
}
