/** Four doubles side by side, for loops that the time goes into.
 *
 *  A sum over samples is kept as four partial sums, whatever the machine's registers hold, and
 * products are not fused with sums (-ffp-contract=off): so one program gives the same bits with
 * SSE2, AVX2 or AVX-512, and on every rank of a mixed cluster. Plain GNU C vectors, no intrinsics;
 * on other processors the compiler lowers them. */
#ifndef CANTLE_BASE_LANES_H
#define CANTLE_BASE_LANES_H

#include <stddef.h>
#include <string.h>

enum { LANES = 4 };
typedef double lanes __attribute__((vector_size(LANES * sizeof(double))));
typedef long long lanes_mask __attribute__((vector_size(LANES * sizeof(double))));

/** Built for AVX2 as well; the loader picks what the processor has. Functions that are called in
 * it must be LANES_INLINE, else they stay at the baseline. CANTLE_ONE_TARGET leaves it out, to
 * compare. */
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && !defined(CANTLE_ONE_TARGET)
#define LANES_CLONES __attribute__((target_clones("avx2", "default")))
#else
#define LANES_CLONES
#endif
#define LANES_INLINE static inline __attribute__((always_inline))

LANES_INLINE lanes lanes_load(const double *p)
{
    lanes v;
    memcpy(&v, p, sizeof v);
    return v;
}

LANES_INLINE void lanes_store(double *p, lanes v)
{
    memcpy(p, &v, sizeof v);
}

LANES_INLINE double lanes_sum(lanes v)
{
    return (v[0] + v[1]) + (v[2] + v[3]);
}

/* The four sums at once, each as lanes_sum makes it. */
LANES_INLINE lanes lanes_sums(lanes a, lanes b, lanes c, lanes d)
{
    lanes ab = __builtin_shufflevector(a, b, 0, 4, 2, 6) +
               __builtin_shufflevector(a, b, 1, 5, 3, 7);
    lanes cd = __builtin_shufflevector(c, d, 0, 4, 2, 6) +
               __builtin_shufflevector(c, d, 1, 5, 3, 7);
    return __builtin_shufflevector(ab, cd, 0, 1, 4, 5) +
           __builtin_shufflevector(ab, cd, 2, 3, 6, 7);
}

/* Where one is NaN, min and max give the second; select() wants a comparison's mask. */
LANES_INLINE lanes lanes_select(lanes_mask which, lanes yes, lanes no)
{
    return (lanes)(((lanes_mask)yes & which) | ((lanes_mask)no & ~which));
}

LANES_INLINE lanes lanes_min(lanes a, lanes b)
{
    return lanes_select(a < b, a, b);
}

LANES_INLINE lanes lanes_max(lanes a, lanes b)
{
    return lanes_select(a > b, a, b);
}

#endif
