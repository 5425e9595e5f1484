#include "curve/passes.h"

#include <math.h>

/* Two vectors at a time where a loop keeps an extreme: two comparisons in a chain take as long as
 * all else in it. */
LANES_CLONES void pass_range(const double *v, size_t n, double *low, double *high)
{
    double least = v[0], most = v[0];
    lanes a = {v[0], v[0], v[0], v[0]}, b = a;
    size_t i = 0;
    for (; i + 2 * LANES <= n; i += 2 * LANES) {
        lanes x = lanes_load(v + i), y = lanes_load(v + i + LANES);
        a = lanes_min(lanes_min(x, y), a), b = lanes_max(lanes_max(x, y), b);
    }
    for (int q = 0; q < LANES; q++)
        least = a[q] < least ? a[q] : least, most = b[q] > most ? b[q] : most;
    for (; i < n; i++)
        least = v[i] < least ? v[i] : least, most = v[i] > most ? v[i] : most;
    *low = least, *high = most;
}

LANES_CLONES double pass_median(const double *v, size_t n)
{
    enum { WIDE = 8, AT_ONCE = WIDE * LANES };
    const double low = -INFINITY;
    const lanes none = {low, low, low, low};
    const long long half = (long long)(n / 2), below_half = (long long)((n - 1) / 2);
    lanes upper = none, lower = none;
    for (size_t from = 0; from < n; from += AT_ONCE) {
        double some[AT_ONCE];
        lanes_mask smaller[WIDE] = {0};
        for (size_t k = 0; k < AT_ONCE; k++)
            some[k] = from + k < n ? v[from + k] : INFINITY;
        for (size_t i = 0; i < n; i++)
#pragma GCC unroll 8
            for (size_t k = 0; k < WIDE; k++)
                smaller[k] -= lanes_load(some + k * LANES) > v[i];
        for (size_t k = 0; k < WIDE; k++) {
            lanes here = lanes_load(some + k * LANES);
            upper = lanes_max(lanes_select(smaller[k] <= half, here, none), upper);
            lower = lanes_max(lanes_select(smaller[k] <= below_half, here, none), lower);
        }
    }
    double a = low, b = low;
    for (int q = 0; q < LANES; q++)
        a = lower[q] > a ? lower[q] : a, b = upper[q] > b ? upper[q] : b;
    return 0.5 * (a + b);
}

LANES_INLINE lanes bend_at(const double *v)
{
    lanes middle = lanes_load(v + 1);
    return lanes_load(v) - (middle + middle) + lanes_load(v + 2);
}

LANES_CLONES double pass_bends(const double *v, size_t n, size_t block, double *squares)
{
    lanes most = {0};
    double largest = 0;
    for (size_t from = 0; from + 2 < n; from += block) {
        size_t to = from + block + 2 <= n ? from + block : n - 2, i = from;
        lanes sum = {0};
        double rest = 0;
        for (; i + 2 * LANES <= to; i += 2 * LANES) {
            lanes a = bend_at(v + i), b = bend_at(v + i + LANES);
            a *= a, b *= b;
            sum += a, sum += b;
            most = lanes_max(lanes_max(a, b), most);
        }
        for (; i < to; i++) {
            double bend = v[i] - 2.0 * v[i + 1] + v[i + 2];
            rest += bend * bend;
            largest = bend * bend > largest ? bend * bend : largest;
        }
        if (to == from + block) *squares++ = lanes_sum(sum) + rest;
    }
    for (int q = 0; q < LANES; q++)
        largest = most[q] > largest ? most[q] : largest;
    return sqrt(largest);
}

LANES_CLONES double pass_flatten(const double *z, const double *d, size_t n, double offset,
                                 double slope, double z_ref, double k, double *flat, double *force)
{
    lanes least = {INFINITY, INFINITY, INFINITY, INFINITY};
    double lowest = INFINITY;
    size_t i = 0;
    for (; i + 2 * LANES <= n; i += 2 * LANES) {
        lanes f[2];
        for (size_t q = 0; q < 2; q++) {
            const size_t at = i + q * LANES;
            f[q] = lanes_load(d + at) - offset - slope * (lanes_load(z + at) - z_ref);
            lanes_store(flat + at, f[q]);
            lanes_store(force + at, k * f[q]);
        }
        least = lanes_min(lanes_min(f[0], f[1]), least);
    }
    for (; i < n; i++) {
        flat[i] = d[i] - offset - slope * (z[i] - z_ref);
        force[i] = k * flat[i];
        lowest = flat[i] < lowest ? flat[i] : lowest;
    }
    for (int q = 0; q < LANES; q++)
        lowest = least[q] < lowest ? least[q] : lowest;
    return lowest;
}

LANES_CLONES struct pass_line pass_line(const double *z, const double *d, size_t from, size_t to,
                                        double z0, double d0)
{
    lanes sz = {0}, sd = {0}, szz = {0}, szd = {0}, sdd = {0};
    size_t i = from;
    for (; i + LANES <= to; i += LANES) {
        lanes a = lanes_load(z + i) - z0, b = lanes_load(d + i) - d0;
        sz += a, sd += b, szz += a * a, szd += a * b, sdd += b * b;
    }
    struct pass_line s = {lanes_sum(sz), lanes_sum(sd), lanes_sum(szz), lanes_sum(szd),
                          lanes_sum(sdd)};
    for (; i < to; i++) {
        double a = z[i] - z0, b = d[i] - d0;
        s.z += a, s.d += b, s.zz += a * a, s.zd += a * b, s.dd += b * b;
    }
    return s;
}

LANES_CLONES void pass_lines(const double *z, const double *d, size_t from, size_t block, double z0,
                             double d0, struct pass_lines *out)
{
    lanes sz[LANES], sd[LANES], szz[LANES], szd[LANES], sdd[LANES];
    struct pass_lines rest = {0};
#pragma GCC unroll 4
    for (size_t q = 0; q < LANES; q++) {
        const double *pz = z + from + q * block, *pd = d + from + q * block;
        size_t i = 0;
        sz[q] = sd[q] = szz[q] = szd[q] = sdd[q] = (lanes){0};
        for (; i + LANES <= block; i += LANES) {
            lanes a = lanes_load(pz + i) - z0, b = lanes_load(pd + i) - d0;
            sz[q] += a, sd[q] += b, szz[q] += a * a, szd[q] += a * b, sdd[q] += b * b;
        }
        for (; i < block; i++) {
            double a = pz[i] - z0, b = pd[i] - d0;
            rest.z[q] += a, rest.d[q] += b;
            rest.zz[q] += a * a, rest.zd[q] += a * b, rest.dd[q] += b * b;
        }
    }
    out->z = lanes_sums(sz[0], sz[1], sz[2], sz[3]) + rest.z;
    out->d = lanes_sums(sd[0], sd[1], sd[2], sd[3]) + rest.d;
    out->zz = lanes_sums(szz[0], szz[1], szz[2], szz[3]) + rest.zz;
    out->zd = lanes_sums(szd[0], szd[1], szd[2], szd[3]) + rest.zd;
    out->dd = lanes_sums(sdd[0], sdd[1], sdd[2], sdd[3]) + rest.dd;
}

LANES_CLONES double pass_squares(const double *v, size_t from, size_t to)
{
    lanes a = {0}, b = {0};
    double rest = 0;
    size_t i = from;
    for (; i + 2 * LANES <= to; i += 2 * LANES) {
        lanes x = lanes_load(v + i), y = lanes_load(v + i + LANES);
        a += x * x, b += y * y;
    }
    for (; i < to; i++)
        rest += v[i] * v[i];
    return lanes_sum(a + b) + rest;
}

LANES_CLONES double pass_misfit(const double *y, const double *v, size_t n, double scale,
                                double offset)
{
    lanes sum = {0};
    double rest = 0;
    size_t i = 0;
    for (; i + LANES <= n; i += LANES) {
        lanes r = lanes_load(y + i) - scale * lanes_load(v + i) - offset;
        sum += r * r;
    }
    for (; i < n; i++) {
        double r = y[i] - scale * v[i] - offset;
        rest += r * r;
    }
    return lanes_sum(sum) + rest;
}

LANES_INLINE bool any(lanes_mask m)
{
    return m[0] | m[1] | m[2] | m[3];
}

enum side { ABOVE, NOT_ABOVE, NOT_BELOW };

LANES_INLINE lanes_mask lies(lanes v, double level, const enum side side)
{
    return side == ABOVE ? v > level : side == NOT_ABOVE ? ~(v > level) : ~(v < level);
}

/* Does any of four vectors from v on? */
LANES_INLINE bool any_lies(const double *v, double level, const enum side side)
{
    return any(lies(lanes_load(v), level, side) | lies(lanes_load(v + LANES), level, side) |
               lies(lanes_load(v + 2 * LANES), level, side) |
               lies(lanes_load(v + 3 * LANES), level, side));
}

LANES_INLINE bool one_lies(double v, double level, const enum side side)
{
    return side == ABOVE ? v > level : side == NOT_ABOVE ? !(v > level) : !(v < level);
}

LANES_INLINE size_t first_that_lies(const double *v, size_t from, size_t n, double level,
                                    const enum side side)
{
    size_t i = from;
    while (i + 4 * LANES <= n && !any_lies(v + i, level, side))
        i += 4 * LANES;
    while (i < n && !one_lies(v[i], level, side))
        i++;
    return i;
}

LANES_INLINE size_t after_last_that_lies(const double *v, size_t from, size_t n, double level,
                                         const enum side side)
{
    while (n >= from + 4 * LANES && !any_lies(v + n - 4 * LANES, level, side))
        n -= 4 * LANES;
    while (n > from && !one_lies(v[n - 1], level, side))
        n--;
    return n;
}

LANES_CLONES size_t pass_first_above(const double *v, size_t from, size_t n, double level)
{
    return first_that_lies(v, from, n, level, ABOVE);
}

LANES_CLONES size_t pass_first_not_above(const double *v, size_t from, size_t n, double level)
{
    return first_that_lies(v, from, n, level, NOT_ABOVE);
}

LANES_CLONES size_t pass_first_not_below(const double *v, size_t from, size_t n, double level)
{
    return first_that_lies(v, from, n, level, NOT_BELOW);
}

LANES_CLONES size_t pass_first_bend(const double *v, size_t from, size_t n, double limit)
{
    size_t i = from;
    for (; i + 1 + 2 * LANES <= n; i += 2 * LANES) {
        lanes a = bend_at(v + i - 1), b = bend_at(v + i - 1 + LANES);
        if (any((lanes_max(a, -a) > limit) | (lanes_max(b, -b) > limit))) break;
    }
    while (i + 1 < n && !(fabs(v[i - 1] - 2.0 * v[i] + v[i + 1]) > limit))
        i++;
    return i;
}

LANES_CLONES size_t pass_only_above(const double *v, size_t from, size_t n, double level)
{
    return after_last_that_lies(v, from, n, level, NOT_ABOVE);
}

LANES_CLONES size_t pass_only_below(const double *v, size_t from, size_t n, double level)
{
    return after_last_that_lies(v, from, n, level, NOT_BELOW);
}

LANES_CLONES void pass_signs(const double *v, size_t n, size_t *above, size_t *changes)
{
    lanes_mask up = {0}, turns = {0}; /* a true comparison is -1 */
    size_t i = 0;
    *above = *changes = 0;
    for (; i + 1 + LANES <= n; i += LANES) {
        lanes_mask here = lanes_load(v + i) > 0.0, next = lanes_load(v + i + 1) > 0.0;
        up -= here;
        turns -= here ^ next;
    }
    for (int q = 0; q < LANES; q++)
        *above += (size_t)up[q], *changes += (size_t)turns[q];
    for (; i < n; i++) {
        *above += v[i] > 0;
        if (i + 1 < n) *changes += (v[i] > 0) != (v[i + 1] > 0);
    }
}

LANES_CLONES bool pass_all_finite(const double *v, size_t n)
{
    lanes sum = {0}; /* of zeros, unless there is an infinity or no number */
    double rest = 0;
    size_t i = 0;
    for (; i + LANES <= n; i += LANES)
        sum += lanes_load(v + i) * 0.0;
    for (; i < n; i++)
        rest += v[i] * 0.0;
    return lanes_sum(sum) + rest == 0.0;
}

LANES_INLINE lanes reversed(lanes v)
{
    return __builtin_shufflevector(v, v, 3, 2, 1, 0);
}

LANES_INLINE bool take_ascending(const double *v, size_t n, const bool backward, double *out)
{
    lanes_mask good = {-1, -1, -1, -1};
    bool rest = isfinite(v[0]) && isfinite(v[n - 1]); /* and no number is above or below NaN */
    size_t i = 0;
    for (; i + 1 + LANES <= n; i += LANES) {
        lanes here = lanes_load(v + i), next = lanes_load(v + i + 1);
        good &= backward ? next <= here : next >= here;
        if (backward)
            lanes_store(out + n - LANES - i, reversed(here));
        else
            lanes_store(out + i, here);
    }
    for (; i < n; i++) {
        out[backward ? n - 1 - i : i] = v[i];
        if (i + 1 < n) rest &= backward ? v[i + 1] <= v[i] : v[i + 1] >= v[i];
    }
    return rest && (good[0] & good[1] & good[2] & good[3]);
}

LANES_CLONES bool pass_take_ascending(const double *v, size_t n, bool backward, double *out)
{
    return backward ? take_ascending(v, n, true, out) : take_ascending(v, n, false, out);
}

LANES_INLINE bool take(const double *v, size_t n, double factor, const bool backward, double *out,
                       double *low, double *high)
{
    double first = factor * v[0], least = first, most = first, rest = 0;
    lanes a = {first, first, first, first}, b = a, sum = {0};
    size_t i = 0;
    for (; i + 2 * LANES <= n; i += 2 * LANES) {
        lanes x = factor * lanes_load(v + i), y = factor * lanes_load(v + i + LANES);
        if (backward) {
            lanes_store(out + n - LANES - i, reversed(x));
            lanes_store(out + n - 2 * LANES - i, reversed(y));
        } else {
            lanes_store(out + i, x);
            lanes_store(out + i + LANES, y);
        }
        a = lanes_min(lanes_min(x, y), a), b = lanes_max(lanes_max(x, y), b), sum += x + y;
    }
    for (; i < n; i++) {
        double x = factor * v[i];
        out[backward ? n - 1 - i : i] = x;
        least = x < least ? x : least, most = x > most ? x : most, rest += x;
    }
    for (int q = 0; q < LANES; q++)
        least = a[q] < least ? a[q] : least, most = b[q] > most ? b[q] : most;
    *low = least, *high = most;
    return isfinite(lanes_sum(sum) + rest);
}

LANES_CLONES bool pass_take(const double *v, size_t n, double factor, bool backward, double *out,
                            double *low, double *high)
{
    return backward ? take(v, n, factor, true, out, low, high)
                    : take(v, n, factor, false, out, low, high);
}

LANES_CLONES void pass_scale(const double *v, size_t n, double factor, bool backward, double *out)
{
    if (backward)
        for (size_t i = 0; i < n; i++)
            out[i] = factor * v[n - 1 - i];
    else
        for (size_t i = 0; i < n; i++)
            out[i] = factor * v[i];
}

LANES_INLINE lanes cut_area(lanes a, lanes b, lanes f, lanes g, double low, double high)
{
    const lanes lows = {low, low, low, low}, highs = {high, high, high, high}, zero = {0};
    lanes from = lanes_max(a, lows), to = lanes_min(b, highs);
    lanes_mask counts = (b > a) & (to > from);
    lanes area = (to - from) * (f + (g - f) / (b - a) * (0.5 * (from + to) - a));
    return lanes_select(counts, area, zero);
}

/* Cells [from, to), each from its sample to the next. */
LANES_INLINE double cut_areas(const double *z, const double *f, size_t from, size_t to, double low,
                              double high)
{
    lanes sum = {0};
    double rest = 0;
    size_t i = from;
    for (; i + LANES <= to; i += LANES)
        sum += cut_area(lanes_load(z + i), lanes_load(z + i + 1), lanes_load(f + i),
                        lanes_load(f + i + 1), low, high);
    for (; i < to; i++) {
        lanes a = {z[i]}, b = {z[i + 1]}, c = {f[i]}, d = {f[i + 1]};
        rest += cut_area(a, b, c, d, low, high)[0];
    }
    return lanes_sum(sum) + rest;
}

LANES_CLONES double pass_area(const double *z, const double *f, size_t n, double low, double high)
{
    const lanes zero = {0};
    size_t first = first_that_lies(z, 0, n, low, ABOVE);
    size_t end = first_that_lies(z, first, n, high, ABOVE), i = first;
    lanes sum = {0};
    lanes_mask back = {0};
    /* cells between samples that are all within the limits, unless z runs back below the lower */
    for (; i + LANES < end; i += LANES) {
        lanes a = lanes_load(z + i), width = lanes_load(z + i + 1) - a;
        sum += lanes_max(width, zero) * (lanes_load(f + i) + lanes_load(f + i + 1));
        back |= a < low;
    }
    if (any(back)) return cut_areas(z, f, 0, n - 1, low, high);
    double before = first > 0 ? cut_areas(z, f, first - 1, first < n ? first : n - 1, low, high)
                              : 0;
    return before + 0.5 * lanes_sum(sum) + (i + 1 < n ? cut_areas(z, f, i, n - 1, low, high) : 0);
}

LANES_INLINE double drop_at(const double *v, size_t i)
{
    return v[i - 2] + v[i - 1] + v[i] - (v[i + 1] + v[i + 2] + v[i + 3]);
}

LANES_CLONES double pass_largest_drop(const double *v, size_t from, size_t n)
{
    lanes most = {0};
    double largest = 0;
    size_t i = from;
    for (; i + 3 + LANES <= n; i += LANES) {
        const double *p = v + i;
        lanes before = lanes_load(p - 2) + lanes_load(p - 1) + lanes_load(p);
        lanes after = lanes_load(p + 1) + lanes_load(p + 2) + lanes_load(p + 3);
        most = lanes_max(before - after, most);
    }
    for (int q = 0; q < LANES; q++)
        largest = most[q] > largest ? most[q] : largest;
    for (; i + 3 < n; i++)
        largest = drop_at(v, i) > largest ? drop_at(v, i) : largest;
    return largest;
}

size_t pass_drop_at(const double *v, size_t from, size_t n, double drop)
{
    size_t at = from;
    while (at + 4 < n && drop_at(v, at) < drop)
        at++;
    return at;
}

LANES_CLONES double pass_wells(const double *z, const double *d, const double *f, size_t from,
                               size_t to, double *squares)
{
    const lanes zero = {0};
    lanes area = {0}, sum = {0};
    double rest = 0, others = 0;
    size_t i = from;
    for (; i + LANES <= to; i += LANES) {
        lanes step = (lanes_load(z + i + 1) - lanes_load(d + i + 1)) -
                     (lanes_load(z + i) - lanes_load(d + i));
        area += lanes_min(lanes_load(f + i) + lanes_load(f + i + 1), zero) * step;
        sum += step * step;
    }
    for (; i < to; i++) {
        double step = (z[i + 1] - d[i + 1]) - (z[i] - d[i]), twice = f[i] + f[i + 1];
        rest += twice < 0 ? twice * step : 0.0;
        others += step * step;
    }
    *squares = lanes_sum(sum) + others;
    return -0.5 * (lanes_sum(area) + rest);
}

LANES_CLONES void pass_powers(const double *z, const double *d, size_t from, size_t to, double z0,
                              double per, double d0, struct pass_powers *sums)
{
    const lanes zero = {0};
    lanes s1 = zero, s2 = zero, s3 = zero, s4 = zero, s5 = zero, s6 = zero, vv = zero;
    lanes v0 = zero, v1 = zero, v2 = zero, v3 = zero;
    for (size_t i = from; i < to; i += LANES) {
        lanes u, v;
        if (i + LANES <= to) {
            u = (lanes_load(z + i) - z0) * per, v = lanes_load(d + i) - d0;
        } else { /* the last few, and nothing */
            double us[LANES] = {0}, vs[LANES] = {0};
            for (size_t k = 0; i + k < to; k++)
                us[k] = (z[i + k] - z0) * per, vs[k] = d[i + k] - d0;
            u = lanes_load(us), v = lanes_load(vs);
        }
        lanes two = u * u, three = two * u;
        s1 += u, s2 += two, s3 += three, s4 += two * two, s5 += two * three, s6 += three * three;
        v0 += v, v1 += u * v, v2 += two * v, v3 += three * v, vv += v * v;
    }
    sums->u += lanes_sums(s1, s2, s3, s4);
    sums->uu += lanes_sums(s5, s6, vv, zero);
    sums->v += lanes_sums(v0, v1, v2, v3);
}

LANES_CLONES void pass_cubic(const double *z, const double *d, size_t from, size_t to,
                             double middle, double half, double d0, struct pass_cubic *out)
{
    enum { TERMS = 4 };
    lanes a[TERMS][TERMS] = {0}, b[TERMS] = {0}, dd = {0};
    double per = 1.0 / half;
    for (size_t i = from; i < to; i += LANES) {
        double zs[LANES], ds[LANES], one[LANES] = {0};
        lanes u, v, p[TERMS];
        if (i + LANES <= to) {
            u = lanes_load(z + i), v = lanes_load(d + i), p[0] = u * 0.0 + 1.0;
        } else { /* the last few: what is beyond them counts nothing */
            for (size_t k = 0; k < LANES; k++) {
                bool there = i + k < to;
                zs[k] = there ? z[i + k] : middle, ds[k] = there ? d[i + k] : d0, one[k] = there;
            }
            u = lanes_load(zs), v = lanes_load(ds), p[0] = lanes_load(one);
        }
        u = (u - middle) * per, v -= d0;
        p[1] = u * p[0], p[2] = 0.5 * (3.0 * u * u - 1.0) * p[0];
        p[3] = 0.5 * u * (5.0 * u * u - 3.0) * p[0];
        for (int j = 0; j < TERMS; j++) {
            for (int k = 0; k <= j; k++)
                a[j][k] += p[j] * p[k];
            b[j] += p[j] * v;
        }
        dd += v * v;
    }
    for (int j = 0; j < TERMS; j++) {
        for (int k = 0; k <= j; k++)
            out->a[j][k] = lanes_sum(a[j][k]);
        out->b[j] = lanes_sum(b[j]);
    }
    out->dd = lanes_sum(dd);
}
