#include "review/lognormal.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>

double lognormal_probability(double a)
{
    if (a >= 13) return 0; /* the fit of table 4.9 turns up again behind it */
    if (a >= 0.6) return exp(1.2937 - 5.709 * a + 0.0186 * a * a);
    if (a >= 0.34) return exp(0.9177 - 4.279 * a - 1.38 * a * a);
    if (a >= 0.2) return 1 - exp(-8.318 + 42.796 * a - 59.938 * a * a);
    return 1 - exp(-13.436 + 101.14 * a - 223.73 * a * a);
}

/* ln of the normal distribution's lower and upper tail, also far out where it underflows. */
static double log_tail(double z, bool upper)
{
    double tail = upper ? gsl_cdf_ugaussian_Q(z) : gsl_cdf_ugaussian_P(z);
    return log(fmax(tail, 1e-300));
}

void lognormal_fit(const double *x, size_t n, double n_effective, struct lognormal *out)
{
    *out = (struct lognormal){false, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
    if (n < 8) return;
    double count = (double)n, mean = gsl_stats_mean(x, 1, n), sum = 0, distance = 0;
    double sigma = sqrt(gsl_stats_variance_with_fixed_mean(x, 1, n, mean));
    if (!(sigma > 0) || !isfinite(sigma)) return;
    double scale = sigma * sqrt(count / (count - 1)); /* the test's tables are for n - 1 */
    for (size_t i = 0; i < n; i++) {
        double low = gsl_cdf_ugaussian_P((x[i] - mean) / sigma);
        distance = fmax(distance, fmax(low - (double)i / count, (double)(i + 1) / count - low));
        sum += (2 * (double)i + 1) * (log_tail((x[i] - mean) / scale, false) +
                                      log_tail((x[n - 1 - i] - mean) / scale, true));
    }
    out->there = true;
    out->mu = mean;
    out->sigma = sigma;
    out->mu_se = sigma / sqrt(n_effective);
    out->a2 = (-count - sum / count) * (1 + 0.75 / count + 2.25 / (count * count));
    out->p = lognormal_probability(out->a2);
    out->p_correlated = lognormal_probability(out->a2 * n_effective / count);
    out->distance = distance;
}
