#include "fit/noise.h"

#include "base/lanes.h"
#include "fit/moments.h"

#include <math.h>
#include <string.h>

void noise_autocovariance(const double *r, size_t n, size_t lags, double *out)
{
    for (size_t l = 0; l <= lags; l++)
        out[l] = moments_dot(r + l, r, 0, n - l) / (double)n;
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

enum { SLOWEST = 2, FASTEST = 64 }; /* a line was taken off: it held indices 0 and 1 */

/* Orthonormal cosine coefficients SLOWEST .. last of r, squared; the mean square of all others.
 * Eight at a time: the recurrence of one cosine is a chain, eight of them keep the machine busy. */
LANES_CLONES static double cosine_powers(const double *r, size_t n, size_t last, double *power)
{
    enum { WIDTH = 2 };
    double total = moments_dot(r, r, 0, n), seen = 0;
    for (size_t j = SLOWEST; j <= last; j += WIDTH * LANES) {
        double twice[WIDTH * LANES], start[WIDTH * LANES];
        lanes two[WIDTH], behind[WIDTH], now[WIDTH], sum[WIDTH] = {0};
        for (size_t q = 0; q < WIDTH * LANES; q++) {
            double step = M_PI * (double)(j + q) / (double)n;
            twice[q] = 2.0 * cos(step);
            start[q] = cos(0.5 * step);
        }
        for (size_t q = 0; q < WIDTH; q++) {
            two[q] = lanes_load(twice + q * LANES);
            behind[q] = now[q] = lanes_load(start + q * LANES);
        }
        for (size_t i = 0; i < n; i++)
            for (size_t q = 0; q < WIDTH; q++) {
                lanes next = two[q] * now[q] - behind[q];
                sum[q] += now[q] * r[i];
                behind[q] = now[q];
                now[q] = next;
            }
        for (size_t q = 0; q < WIDTH * LANES && j + q <= last; q++) {
            double of = sum[q / LANES][q % LANES];
            power[j + q] = of * of * 2.0 / (double)n;
            seen += power[j + q];
        }
    }
    return fmax(total - seen, 0) / (double)(n - last - 1);
}

/* Minus twice the log likelihood, the white variance chosen best. shape[j] = 1 / j^slope. Arrays
 * have COSINES numbers, nil beyond last. */
enum { COSINES = FASTEST + 2 * LANES };

LANES_CLONES static double slow_cost(const double *power, const double *shape, size_t last,
                                     size_t n, double rest, double ratio)
{
    double fast = (double)(n - last - 1), all = fast + (double)(last - SLOWEST + 1);
    lanes sum = {0}, product = {1.0, 1.0, 1.0, 1.0}; /* of at most 17 factors below 1e6 each */
    for (size_t j = SLOWEST; j <= last; j += LANES) {
        lanes s = 1.0 + ratio * lanes_load(shape + j);
        sum += lanes_load(power + j) / s;
        product *= s;
    }
    double logs = log(product[0] * product[1]) + log(product[2] * product[3]);
    return all * log((fast * rest + lanes_sum(sum)) / all) + logs;
}

/* Most likely ratio on a grid of factors `factor`, and what its likelihood gains, doubled. */
static double best_ratio(const double *power, size_t last, size_t n, double rest, double factor,
                         int *slope, double *gain)
{
    double shape[COSINES] = {0}, best = 0;
    double none = slow_cost(power, shape, last, n, rest, 0);
    *gain = 0;
    for (int a = 1; a <= 2; a++) {
        for (size_t j = SLOWEST; j <= last; j++)
            shape[j] = a == 1 ? 1.0 / (double)j : 1.0 / (double)(j * j);
        for (double ratio = 0.5; ratio < 1e6; ratio *= factor) {
            double more = none - slow_cost(power, shape, last, n, rest, ratio);
            if (more > *gain) *gain = more, best = ratio, *slope = a;
        }
    }
    return best;
}

/* The cosines of BINS samples, made once. */
enum { BINS = 64, BIN_LAST = 33 };

static const double (*bin_cosines(void))[BINS]
{
    static double table[BIN_LAST + 1][BINS];
    if (table[0][0] == 0)
        for (int j = BIN_LAST; j >= 0; j--)
            for (int i = 0; i < BINS; i++)
                table[j][i] = cos(M_PI * j * (i + 0.5) / BINS);
    return table;
}

/* A quick look at means of few blocks: most noise is not slow, and need not be looked at closely.
 */
static bool may_be_slow(const double *r, size_t n)
{
    const double(*cosine)[BINS] = bin_cosines();
    double bin[BINS], power[COSINES] = {0}, gain, seen = 0;
    int slope;
    for (size_t k = 0, from = 0; k < BINS; k++) {
        size_t to = (k + 1) * n / BINS;
        double sum = 0;
        for (size_t i = from; i < to; i++)
            sum += r[i];
        bin[k] = sum / sqrt((double)(to - from)); /* white noise keeps its variance */
        from = to;
    }
    for (size_t j = SLOWEST; j <= BIN_LAST; j++) {
        double of = moments_dot(cosine[j], bin, 0, BINS);
        power[j] = of * of * 2.0 / BINS;
        seen += power[j];
    }
    double rest = fmax(moments_dot(bin, bin, 0, BINS) - seen, 0) / (BINS - BIN_LAST - 1);
    best_ratio(power, BIN_LAST, BINS, rest, 16.0, &slope, &gain);
    return gain > 0.3;
}

double noise_slow(const double *r, size_t n, int *slope)
{
    double power[COSINES] = {0}, gain;
    size_t last = n / 4 < FASTEST ? n / 4 : FASTEST;
    if (n < 64 || !may_be_slow(r, n)) return 0;
    double rest = cosine_powers(r, n, last, power);
    double ratio = best_ratio(power, last, n, rest, 1.5, slope, &gain);
    return gain > 7.0 ? ratio : 0;
}

double noise_walk_ratio(const double *r, size_t n, double step, const double *phi, size_t order)
{
    double sum = 0, share = 1.0, walk = step * (double)n / M_PI, white;
    for (size_t i = order ? order : 1; i < n; i++) {
        double rest = order ? r[i] : r[i] - r[i - 1];
        for (size_t j = 0; j < order; j++)
            rest -= phi[j] * r[i - 1 - j];
        sum += rest * rest;
    }
    for (size_t j = 0; j < order; j++)
        share -= phi[j];
    /* level of the spectrum at low frequency, where the walk is */
    if (order)
        white = sum / (double)(n - order) / (share * share);
    else
        white = 0.5 * fmax(sum / (double)(n - 1) - step * step, 0.01 * step * step);
    return white > 0 ? walk * walk / white : 0;
}

double noise_freedom(size_t n, size_t order, double slow_ratio, int slow_slope)
{
    double variance = 2.0 * (double)order / (double)n, squares = 0;
    size_t last = n / 4 < FASTEST ? n / 4 : FASTEST;
    for (size_t j = SLOWEST; j <= last && slow_ratio > 0; j++) {
        double index = (double)j, slow = slow_ratio / (slow_slope == 2 ? index * index : index);
        squares += slow * slow / ((1.0 + slow) * (1.0 + slow));
    }
    if (squares > 0) variance += 1.0 / squares;
    return 1.0 / variance;
}

void noise_shrink_slow(double *r, size_t n, double ratio, int slope, size_t last)
{
    for (size_t j = 1; j <= last; j++) {
        double step = M_PI * (double)j / (double)n, two = 2.0 * cos(step), start = cos(0.5 * step);
        double shrink = 1.0 - 1.0 / sqrt(1.0 + ratio / pow((double)j, slope)), sum = 0;
        double behind = start, now = start;
        for (size_t i = 0; i < n; i++) {
            sum += r[i] * now;
            double next = two * now - behind;
            behind = now, now = next;
        }
        sum *= shrink * 2.0 / (double)n;
        behind = now = start;
        for (size_t i = 0; i < n; i++) {
            r[i] -= sum * now;
            double next = two * now - behind;
            behind = now, now = next;
        }
    }
}
