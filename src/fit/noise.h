/** Noise with a memory: is it white, and if not, the filter that makes it so. Knows numbers only.
 */
#ifndef CANTLE_FIT_NOISE_H
#define CANTLE_FIT_NOISE_H

#include <stdbool.h>
#include <stddef.h>

enum { NOISE_MAX_ORDER = 16, NOISE_LAGS = 20 };

/** Autocovariances of residuals r [n] at lags 0 .. lags (mean not taken off: residuals have none).
 */
void noise_autocovariance(const double *r, size_t n, size_t lags, double *out);

/** Portmanteau test: n (n + 2) sum rho_l^2/(n - l) over NOISE_LAGS lags against chi-square at 0.1
 * %. G. M. Ljung, G. E. P. Box, Biometrika 65 (1978) 297.
 *  @param c  autocovariances of the n residuals at lags 0 .. NOISE_LAGS
 *  @return true if nothing speaks against white */
bool noise_is_white(const double c[NOISE_LAGS + 1], size_t n);

/** Autoregressive model r_i = sum_j phi[j] r_(i-1-j) + white, by Burg's method (J. P. Burg, 37th
 * Meeting Soc. Explor. Geophys., 1967); the order has the least AICc (C. M. Hurvich, C.-L. Tsai,
 * Biometrika 76 (1989) 297).
 *  @param scratch [2 n]
 *  @return order, 0 .. NOISE_MAX_ORDER, also bounded by n / 16 */
size_t noise_fit(const double *r, size_t n, double phi[NOISE_MAX_ORDER], double *scratch);

/** Slow noise beside white: power of the cosine transform of r [n] at index j as 1 + ratio /
 * j^slope, fitted by maximum likelihood of the periodogram (P. Whittle, Ark. Mat. 2 (1953) 423)
 * over slopes 1 (flicker) and 2 (random walk); 0 unless the likelihood gains more than three and a
 * half.
 *  @return ratio, in units of the white noise's variance */
double noise_slow(const double *r, size_t n, int *slope);

/** The ratio, for slope 2, of a random walk of known rms step beside white noise of the variance
 * that `order` and phi find in r [n] (order 0: that of the differences of neighbours). The cosines
 * are a walk's principal axes, its power at index j is (step / (2 sin(pi j/(2n))))^2. */
double noise_walk_ratio(const double *r, size_t n, double step, const double *phi, size_t order);

/** Degrees of freedom of the power at low frequency that noise_fit and noise_slow find in n
 * samples, i.e. 2 over its relative variance: 4 order/n for the autoregressive spectrum at
 * frequency nil (K. N. Berk, Ann. Statist. 2 (1974) 489, from memory), 2/sum_j w_j^2 for the slow
 * ratio, w_j the slow share of the power at index j (Fisher's information of its logarithm).
 * Infinite for white noise.
 */
double noise_freedom(size_t n, size_t order, double slow_ratio, int slow_slope);

/** Shrink r's parts along the cosines 1 .. last of such noise to the level of the white, in place.
 */
void noise_shrink_slow(double *r, size_t n, double ratio, int slope, size_t last);

#endif
