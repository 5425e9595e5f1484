/** Which of two models describes the same samples better, for the numbers that it uses up.
 *
 *  Both criteria are -2 ln(likelihood) of Gaussian noise of unknown variance, but for a constant
 *  that models of the same samples share, and a penalty. With K numbers fitted, the variance
 *  counted, and n independent samples with residual variance s^2 (sum of squares over n):
 *    AIC_c = n ln s^2 + 2 K + 2 K (K + 1)/(n - K - 1)
 *            C. M. Hurvich, C.-L. Tsai, Biometrika 76 (1989) 297
 *    BIC   = n ln s^2 + K ln n
 *            G. Schwarz, Ann. Stat. 6 (1978) 461
 *  Noise with a memory: residuals are whitened first, or n is the number of independent samples
 *  that they are worth; else both criteria would count the same evidence many times. Only
 *  differences mean something. K. P. Burnham, D. R. Anderson, Model Selection and Multimodel
 *  Inference, Springer 2002 (from memory): below 2 the other model is nearly as good, above 10 it
 *  has next to no support. */
#ifndef CANTLE_REVIEW_CRITERION_H
#define CANTLE_REVIEW_CRITERION_H

#include <stddef.h>

/** @param variance  s^2, any unit, the same for both models
 *  @param n         independent samples
 *  @param unknowns  numbers fitted, the variance not counted
 *  @return NaN where n does not allow it (n <= unknowns + 2), or variance is not positive */
double criterion_aicc(double variance, double n, int unknowns);
double criterion_bic(double variance, double n, int unknowns);

/** Differences b - a in bands: how many pixels speak how clearly for which. */
#define CRITERION_BANDS(B)                                                                         \
    B(b_clearly, -INFINITY, -10, "B, clearly (beyond 10)")                                         \
    B(b_rather, -10, -2, "B (2 to 10)")                                                            \
    B(neither, -2, 2, "neither (within 2)")                                                        \
    B(a_rather, 2, 10, "A (2 to 10)")                                                              \
    B(a_clearly, 10, INFINITY, "A, clearly (beyond 10)")

enum criterion_band {
#define B(name, low, high, words) CRITERION_##name,
    CRITERION_BANDS(B)
#undef B
        CRITERION_BAND_COUNT
};
extern const char *const criterion_band_words[CRITERION_BAND_COUNT];
extern const char *const criterion_band_names[CRITERION_BAND_COUNT];

struct criterion_table {
    size_t n, band[CRITERION_BAND_COUNT];
    double median; /**< of the differences; NaN without any */
    double sum;    /**< evidence of all of them, if pixels are independent */
};

/** @param difference  [n]; NaN does not count
 *  @param scratch     [n] */
void criterion_count(const double *difference, size_t n, double *scratch,
                     struct criterion_table *out);

#endif
