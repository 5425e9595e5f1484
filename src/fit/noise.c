#include "fit/noise.h"

#include "base/lanes.h"
#include "fit/moments.h"

#include <math.h>
#include <string.h>

/* Sums of r_i r_(i+l) at AT_ONCE lags from `first` on, in one pass: they all fit in registers. */
enum { AT_ONCE = 7 };

LANES_CLONES static void lagged_products(const double *r, size_t n, size_t first,
                                         double out[AT_ONCE])
{
    lanes sum[AT_ONCE] = {0};
    size_t whole = 0;
    for (; whole + first + AT_ONCE - 1 + LANES <= n; whole += LANES) {
        lanes here = lanes_load(r + whole);
#pragma GCC unroll 7
        for (size_t l = 0; l < AT_ONCE; l++)
            sum[l] += here * lanes_load(r + whole + first + l);
    }
    for (size_t l = 0; l < AT_ONCE; l++) {
        double rest = 0;
        for (size_t i = whole; i + first + l < n; i++)
            rest += r[i] * r[i + first + l];
        out[l] = lanes_sum(sum[l]) + rest;
    }
}

void noise_autocovariance(const double *r, size_t n, size_t lags, double *out)
{
    double some[AT_ONCE];
    for (size_t first = 0; first <= lags; first += AT_ONCE) {
        lagged_products(r, n, first, some);
        for (size_t l = first; l <= lags && l < first + AT_ONCE; l++)
            out[l] = some[l - first] / (double)n;
    }
}

bool noise_is_white(const double c[NOISE_LAGS + 1], size_t n)
{
    const double chi_square_20_at_0_001 = 45.315; /* upper 0.1 % point, 20 degrees of freedom */
    double q = 0;
    if (n < 4 * NOISE_LAGS || !(c[0] > 0)) return true;
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
 * Clenshaw's recurrence (Math. Comp. 9 (1955) 118) for sum_i r_i cos((i + 1/2) step), over half of
 * the samples: even cosines are even about the middle, odd ones odd. Each recurrence is a chain,
 * sixteen of them keep the machine busy. */
LANES_CLONES static double cosine_powers(const double *r, size_t n, size_t last, double *power)
{
    enum { WIDTH = 4, BUNCH = WIDTH * LANES };
    double total = moments_dot(r, r, 0, n), seen = 0;
    for (size_t j = SLOWEST; j <= last; j += BUNCH) {
        double twice[BUNCH], start[BUNCH]; /* the first half even, the second odd */
        lanes two[WIDTH], here[WIDTH] = {0}, after[WIDTH] = {0};
        for (size_t q = 0; q < BUNCH; q++) {
            size_t index = j + 2 * (q % (BUNCH / 2)) + q / (BUNCH / 2);
            start[q] = cos(0.5 * M_PI * (double)index / (double)n);
            twice[q] = 4.0 * start[q] * start[q] - 2.0;
        }
        for (size_t q = 0; q < WIDTH; q++)
            two[q] = lanes_load(twice + q * LANES);
        if (n % 2) here[0] += r[n / 2], here[1] += r[n / 2]; /* the middle: nil in odd cosines */
        for (size_t i = n / 2; i-- > 0;) {
            double both[2] = {r[i] + r[n - 1 - i], r[i] - r[n - 1 - i]};
#pragma GCC unroll 4
            for (size_t q = 0; q < WIDTH; q++) {
                lanes next = two[q] * here[q] + (both[q / 2] - after[q]);
                after[q] = here[q];
                here[q] = next;
            }
        }
        for (size_t q = 0; q < BUNCH; q++) {
            size_t index = j + 2 * (q % (BUNCH / 2)) + q / (BUNCH / 2);
            double of = (here[q / LANES][q % LANES] - after[q / LANES][q % LANES]) * start[q];
            if (index > last) continue;
            power[index] = of * of * 2.0 / (double)n;
            seen += power[index];
        }
    }
    return fmax(total - seen, 0) / (double)(n - last - 1);
}

/* Minus twice the log likelihood of a ratio is all log(sum / all) + logs, the white variance chosen
 * best. shape[j] = 1 / j^slope. Arrays have COSINES numbers, nil beyond last. */
enum { COSINES = FASTEST + 2 * LANES };
struct slow_sums {
    double sum, logs;
};

LANES_CLONES static struct slow_sums slow_sums(const double *power, const double *shape,
                                               size_t last, double fast, double ratio)
{
    lanes sum = {0}, product = {1.0, 1.0, 1.0, 1.0};
    for (size_t j = SLOWEST; j <= last; j += LANES) {
        lanes s = 1.0 + ratio * lanes_load(shape + j);
        sum += lanes_load(power + j) / s;
        product *= s;
    }
    /* with 64 cosines and a ratio of 1e6 the whole product is below 1e290 */
    return (struct slow_sums){fast + lanes_sum(sum),
                              log((product[0] * product[1]) * (product[2] * product[3]))};
}

/* Most likely ratio on a grid of factors 3/2, and what its likelihood gains, doubled; 0 where that
 * is not more than `least`. The sum falls with the ratio and the logarithms rise, so the far end of
 * a stretch of the grid bounds what lies in it: most stretches need no closer look. */
static double best_ratio(const double *power, size_t last, size_t n, double rest, double least,
                         int *slope)
{
    const double factor = 1.5, largest = 1e6, rounding = 1e-6;
    double shape[COSINES] = {0}, best = 0, most = least, fast = (double)(n - last - 1);
    double all = fast + (double)(last - SLOWEST + 1);
    double none = slow_sums(power, shape, last, fast * rest, 0).sum;
    double ceiling = all * log(none / (fast * rest));
    for (int a = 1; a <= 2; a++) {
        for (size_t j = SLOWEST; j <= last; j++)
            shape[j] = a == 1 ? 1.0 / (double)j : 1.0 / (double)(j * j);
        struct slow_sums near = slow_sums(power, shape, last, fast * rest, 0.5), far;
        for (double from = 0.5, to; from < largest; from = to, near = far) {
            if (!(ceiling - near.logs > most - rounding)) break;
            to = from * factor * factor * factor;
            far = slow_sums(power, shape, last, fast * rest, to);
            if (!(all * log(none / far.sum) - near.logs > most - rounding)) continue;
            for (double ratio = from; ratio < to && ratio < largest; ratio *= factor) {
                struct slow_sums s = slow_sums(power, shape, last, fast * rest, ratio);
                double more = all * log(none / s.sum) - s.logs;
                if (more > most) most = more, best = ratio, *slope = a;
            }
        }
    }
    return best;
}

/* A quick look at means of few blocks: most noise is not slow, and need not be looked at closely.
 * Its few cosines and ratios are always the same, so all that depends on them is made once. */
enum { BINS = 64, BIN_LAST = 33, BIN_COSINES = BIN_LAST - SLOWEST + 1, BIN_RATIOS = 12 };
struct quick_look {
    bool made;
    double cosine[BINS / 2][BIN_COSINES];  /**< over the first half; even ones, then odd ones */
    double share[BIN_COSINES][BIN_RATIOS]; /**< 1 / (1 + ratio / j^slope) */
    double limit[BIN_RATIOS];              /**< none / sum that speaks for the ratio */
};

static const struct quick_look *quick_look(void)
{
    static struct quick_look q;
    const double gain = 0.3, all = BINS - 2;
    if (q.made) return &q;
    for (int c = 0; c < BIN_COSINES; c++) {
        int j = SLOWEST + 2 * (c % (BIN_COSINES / 2)) + c / (BIN_COSINES / 2);
        for (int i = 0; i < BINS / 2; i++)
            q.cosine[i][c] = cos(M_PI * j * (i + 0.5) / BINS);
        for (int k = 0; k < BIN_RATIOS; k++) {
            double ratio = 0.5 * pow(16.0, k / 2), s = 1.0 + ratio / (k % 2 ? j * j : j);
            q.share[c][k] = 1.0 / s;
            q.limit[k] += log(s);
        }
    }
    for (int k = 0; k < BIN_RATIOS; k++)
        q.limit[k] = exp((gain + q.limit[k]) / all);
    q.made = true;
    return &q;
}

static void bin_means(const double *r, size_t n, double bin[BINS])
{
    size_t width = n / BINS; /* or one more */
    double per[2] = {1.0 / sqrt((double)width), 1.0 / sqrt((double)width + 1.0)};
    for (size_t k = 0, from = 0; k < BINS; k++) {
        size_t to = (k + 1) * n / BINS;
        double sum = 0;
        for (size_t i = from; i < to; i++)
            sum += r[i];
        bin[k] = sum * per[to - from - width]; /* white noise keeps its variance */
        from = to;
    }
}

LANES_CLONES static bool may_be_slow(const double *r, size_t n)
{
    enum { WIDE = BIN_COSINES / LANES, RATIOS = BIN_RATIOS / LANES };
    const struct quick_look *look = quick_look();
    double bin[BINS], power[BIN_COSINES], square = 0;
    lanes of[WIDE] = {0}, seen = {0}, sum[RATIOS];
    bin_means(r, n, bin);
    for (size_t i = 0; i < BINS / 2; i++) {
        double a = bin[i], b = bin[BINS - 1 - i], both[2] = {a + b, a - b};
        square += a * a + b * b;
#pragma GCC unroll 8
        for (size_t c = 0; c < WIDE; c++)
            of[c] += both[c / (WIDE / 2)] * lanes_load(look->cosine[i] + c * LANES);
    }
    for (size_t c = 0; c < WIDE; c++) {
        lanes p = of[c] * of[c] * (2.0 / BINS);
        seen += p;
        lanes_store(power + c * LANES, p);
    }
    double none = fmax(square, lanes_sum(seen)), fast = none - lanes_sum(seen);
    for (size_t k = 0; k < RATIOS; k++)
        sum[k] = (lanes){fast, fast, fast, fast};
    for (size_t c = 0; c < BIN_COSINES; c++)
#pragma GCC unroll 3
        for (size_t k = 0; k < RATIOS; k++)
            sum[k] += power[c] * lanes_load(look->share[c] + k * LANES);
    lanes_mask some = {0};
    for (size_t k = 0; k < RATIOS; k++)
        some |= none > sum[k] * lanes_load(look->limit + k * LANES);
    return some[0] | some[1] | some[2] | some[3];
}

double noise_slow(const double *r, size_t n, int *slope)
{
    double power[COSINES] = {0};
    size_t last = n / 4 < FASTEST ? n / 4 : FASTEST;
    if (n < 64 || !may_be_slow(r, n)) return 0;
    double rest = cosine_powers(r, n, last, power);
    return best_ratio(power, last, n, rest, 7.0, slope);
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
