/** Functions of four doubles at a time: sums and products only, so that they give the same bits on
 *  every processor, unlike the C library's. Within 5e-16 of the value (a unit test compares). */
#ifndef CANTLE_BASE_LANES_MATH_H
#define CANTLE_BASE_LANES_MATH_H

#include "base/lanes.h"

#include <stdbool.h>

#include <math.h>

/* What a double is made of, for sums that wrap round. */
typedef unsigned long long lanes_bits __attribute__((vector_size(LANES * sizeof(double))));

LANES_INLINE bool lanes_any(lanes_mask m)
{
    return m[0] | m[1] | m[2] | m[3];
}

LANES_INLINE lanes lanes_sqrt(lanes x)
{
    lanes v;
    for (int i = 0; i < LANES; i++)
        v[i] = sqrt(x[i]);
    return v;
}

/** The sum of c[i] x^i, i < n, n >= 2 known when this is compiled; even and odd powers apart, so
 * that one does not wait for the other. */
LANES_INLINE lanes lanes_polynomial(const double *c, int n, lanes x)
{
    lanes x2 = x * x, last = c[n - 1] + 0.0 * x, before = c[n - 2] + 0.0 * x;
    for (int i = n - 3; i >= 0; i--) {
        lanes next = c[i] + x2 * last;
        last = before, before = next;
    }
    return before + x * last;
}

/** exp(x), |x| < 700: x = n ln 2 + r, Taylor's series of r, and n into the exponent. */
LANES_INLINE lanes lanes_exp(lanes x)
{
    static const double c[] = {1.0,
                               1.0,
                               1.0 / 2.0,
                               1.0 / 6.0,
                               1.0 / 24.0,
                               1.0 / 120.0,
                               1.0 / 720.0,
                               1.0 / 5040.0,
                               1.0 / 40320.0,
                               1.0 / 362880.0,
                               1.0 / 3628800.0,
                               1.0 / 39916800.0,
                               1.0 / 479001600.0,
                               1.0 / 6227020800.0};
    /* ln 2 in two parts, the first of so few digits that n times it is exact */
    const double ln2_high = 0x1.62e42fee00000p-1, ln2_low = 0x1.a39ef35793c76p-33;
    const double round = 0x1.8p52; /* beyond it a double has no digits behind the point */
    lanes shifted = x * M_LOG2E + round, n = shifted - round;
    lanes r = (x - n * ln2_high) - n * ln2_low;
    lanes power = lanes_polynomial(c, sizeof c / sizeof *c, r);
    return (lanes)((lanes_bits)power + ((lanes_bits)shifted << 52));
}

/* ln x from the quotient z = (m - 1)/(m + 1) or (x - 1)/(x + 1), with x = 2^n m and m about 1. */
LANES_INLINE lanes lanes_log_of(lanes n, lanes z)
{
    static const double c[] = {2.0,        2.0 / 3.0,  2.0 / 5.0,  2.0 / 7.0,
                               2.0 / 9.0,  2.0 / 11.0, 2.0 / 13.0, 2.0 / 15.0,
                               2.0 / 17.0, 2.0 / 19.0, 2.0 / 21.0};
    const double ln2_high = 0x1.62e42fee00000p-1, ln2_low = 0x1.a39ef35793c76p-33;
    return n * ln2_high + (n * ln2_low + z * lanes_polynomial(c, sizeof c / sizeof *c, z * z));
}

/* x = 2^n m, m from 1/sqrt 2 to sqrt 2. */
LANES_INLINE lanes lanes_split(lanes x, lanes *m)
{
    const unsigned long long half_root = 0x3fe6a09e667f3bcd, bias = 1024ULL << 52; /* of 1/sqrt 2 */
    const unsigned long long exponent = 0x7ffULL << 52, magic = 0x4330000000000000; /* 2^52 */
    lanes_bits bits = (lanes_bits)x, past = (bits - half_root + bias) & exponent;
    *m = (lanes)(bits - past + bias);
    return (lanes)((past >> 52) | magic) - (0x1p52 + 1024.0); /* an integer in its last bits */
}

/** ln x, x > 0 and normal. */
LANES_INLINE lanes lanes_log(lanes x)
{
    lanes m, n = lanes_split(x, &m);
    return lanes_log_of(n, (m - 1.0) / (m + 1.0));
}

/** ln(1 + x), x >= 0. */
LANES_INLINE lanes lanes_log1p(lanes x)
{
    lanes m, n = lanes_split(1.0 + x, &m);
    lanes_mask near = x < M_SQRT2 - 1.0; /* there x has digits that 1 + x has not */
    lanes above = lanes_select(near, x, m - 1.0), below = lanes_select(near, 2.0 + x, m + 1.0);
    return lanes_log_of(n, above / below);
}

/** Sine and cosine of x, |x| <= pi/4, by Taylor's series. */
LANES_INLINE void lanes_sine_cosine(lanes x, lanes *sine, lanes *cosine)
{
    static const double s[] = {1.0,
                               -1.0 / 6.0,
                               1.0 / 120.0,
                               -1.0 / 5040.0,
                               1.0 / 362880.0,
                               -1.0 / 39916800.0,
                               1.0 / 6227020800.0,
                               -1.0 / 1307674368000.0};
    static const double c[] = {1.0,
                               -1.0 / 2.0,
                               1.0 / 24.0,
                               -1.0 / 720.0,
                               1.0 / 40320.0,
                               -1.0 / 3628800.0,
                               1.0 / 479001600.0,
                               -1.0 / 87178291200.0,
                               1.0 / 20922789888000.0};
    lanes x2 = x * x;
    *sine = x * lanes_polynomial(s, sizeof s / sizeof *s, x2);
    *cosine = lanes_polynomial(c, sizeof c / sizeof *c, x2);
}

/** atan(x), x >= 0: of x, of (x - 1)/(x + 1) less than pi/4, or of -1/x less than pi/2, whichever
 * argument is smallest; then the polynomial of x^2 that meets atan(x)/x in Chebyshev's points up to
 * tan(pi/8). */
LANES_INLINE lanes lanes_atan(lanes x)
{
    static const double c[] = {
        0.99999999999999999874,   -0.33333333333333121163,  0.19999999999940891462,
        -0.14285714279250244942,  0.11111110744919658237,   -0.090908968090640270761,
        0.076920453309022249521,  -0.066629518136291900881, 0.058468782973308725201,
        -0.050351024566015518428, 0.037965257453865936236,  -0.017805397205419445228};
    const lanes zero = {0}, quarter = zero + M_PI_4, half = zero + M_PI_2;
    lanes_mask far = x > 1.0 + M_SQRT2, near = x < M_SQRT2 - 1.0;
    lanes above = lanes_select(far, zero - 1.0, lanes_select(near, x, x - 1.0));
    lanes below = lanes_select(far, x, lanes_select(near, zero + 1.0, x + 1.0));
    lanes from = lanes_select(far, half, lanes_select(near, zero, quarter));
    lanes y = above / below;
    return from + y * lanes_polynomial(c, sizeof c / sizeof *c, y * y);
}

#endif
