#include "fit/moments.h"

#include "base/lanes.h"

/* Samples from `from` on, one by one. */
LANES_INLINE void add_each(const struct moment_columns *c, const size_t nj, const size_t nq,
                           size_t from, struct moment_sums *out)
{
    for (size_t i = from; i < c->to; i++) {
        double r = c->y[i] - c->f[i];
        out->rr += r * r;
        for (size_t a = 0; a < nj; a++) {
            out->jr[a] += c->j[a][i] * r;
            for (size_t b = 0; b <= a; b++)
                out->jj[a][b] += c->j[a][i] * c->j[b][i];
        }
        for (size_t k = 0; k < nq; k++) {
            out->qr[k] += c->q[k][i] * r;
            for (size_t a = 0; a < nj; a++)
                out->qj[k][a] += c->q[k][i] * c->j[a][i];
        }
    }
}

/* The compiler must know nj and nq to keep the sums in registers. */
enum { FEW = 4 };

LANES_INLINE void sums_of(const struct moment_columns *c, const size_t nj, const size_t nq,
                          struct moment_sums *out)
{
    lanes rr = {0}, jr[FEW] = {0}, qr[FEW] = {0}, jj[FEW][FEW] = {0}, qj[FEW][FEW] = {0};
    size_t i = c->from;
    for (; i + LANES <= c->to; i += LANES) {
        lanes r = lanes_load(c->y + i) - lanes_load(c->f + i), j[FEW];
        rr += r * r;
#pragma GCC unroll 4
        for (size_t a = 0; a < nj; a++) {
            j[a] = lanes_load(c->j[a] + i);
            jr[a] += j[a] * r;
#pragma GCC unroll 4
            for (size_t b = 0; b <= a; b++)
                jj[a][b] += j[a] * j[b];
        }
#pragma GCC unroll 4
        for (size_t k = 0; k < nq; k++) {
            lanes q = lanes_load(c->q[k] + i);
            qr[k] += q * r;
#pragma GCC unroll 4
            for (size_t a = 0; a < nj; a++)
                qj[k][a] += q * j[a];
        }
    }
    out->rr = lanes_sum(rr);
    for (size_t a = 0; a < nj; a++) {
        out->jr[a] = lanes_sum(jr[a]);
        for (size_t b = 0; b <= a; b++)
            out->jj[a][b] = lanes_sum(jj[a][b]);
    }
    for (size_t k = 0; k < nq; k++) {
        out->qr[k] = lanes_sum(qr[k]);
        for (size_t a = 0; a < nj; a++)
            out->qj[k][a] = lanes_sum(qj[k][a]);
    }
    add_each(c, nj, nq, i, out);
}

LANES_CLONES void moments(const struct moment_columns *c, struct moment_sums *out)
{
#define CASE(nj, nq)                                                                               \
    case 8 * nj + nq:                                                                              \
        sums_of(c, nj, nq, out);                                                                   \
        break;
#define CASES(nj) CASE(nj, 0) CASE(nj, 1) CASE(nj, 2) CASE(nj, 3) CASE(nj, 4)
    switch (8 * c->nj + c->nq) {
        CASES(1)
        CASES(2)
        CASES(3)
        CASES(4)
    default: /* more unknowns than a contact has */
        *out = (struct moment_sums){0};
        add_each(c, c->nj, c->nq, c->from, out);
    }
#undef CASES
#undef CASE
}

LANES_CLONES double moments_dot(const double *a, const double *b, size_t from, size_t to)
{
    lanes s = {0}, t = {0};
    double rest = 0;
    size_t i = from;
    for (; i + 2 * LANES <= to; i += 2 * LANES) {
        s += lanes_load(a + i) * lanes_load(b + i);
        t += lanes_load(a + i + LANES) * lanes_load(b + i + LANES);
    }
    for (; i < to; i++)
        rest += a[i] * b[i];
    return lanes_sum(s + t) + rest;
}

LANES_INLINE double with_of(const double *y, const double *const *q, const size_t nq, size_t n,
                            double *qy)
{
    lanes yy = {0}, sum[FEW] = {0};
    double rest = 0, part[FEW] = {0};
    size_t i = 0;
    for (; i + LANES <= n; i += LANES) {
        lanes v = lanes_load(y + i);
        yy += v * v;
#pragma GCC unroll 4
        for (size_t k = 0; k < nq; k++)
            sum[k] += lanes_load(q[k] + i) * v;
    }
    for (; i < n; i++) {
        rest += y[i] * y[i];
        for (size_t k = 0; k < nq; k++)
            part[k] += q[k][i] * y[i];
    }
    for (size_t k = 0; k < nq; k++)
        qy[k] = lanes_sum(sum[k]) + part[k];
    return lanes_sum(yy) + rest;
}

LANES_CLONES double moments_with(const double *y, const double *const *q, size_t nq, size_t n,
                                 double *qy)
{
    switch (nq) {
    case 0:
        return with_of(y, q, 0, n, qy);
    case 1:
        return with_of(y, q, 1, n, qy);
    case 2:
        return with_of(y, q, 2, n, qy);
    case 3:
        return with_of(y, q, 3, n, qy);
    default:
        return with_of(y, q, 4, n, qy);
    }
}

LANES_INLINE void rest_of(const double *y, const double *const *q, const double *share,
                          const size_t nq, size_t n, double *restrict out)
{
    for (size_t i = 0; i < n; i++) {
        double v = y[i];
#pragma GCC unroll 4
        for (size_t k = 0; k < nq; k++)
            v -= share[k] * q[k][i];
        out[i] = v;
    }
}

LANES_CLONES void moments_rest(const double *y, const double *const *q, const double *share,
                               size_t nq, size_t n, double *out)
{
    switch (nq) {
    case 0:
        rest_of(y, q, share, 0, n, out);
        break;
    case 1:
        rest_of(y, q, share, 1, n, out);
        break;
    case 2:
        rest_of(y, q, share, 2, n, out);
        break;
    case 3:
        rest_of(y, q, share, 3, n, out);
        break;
    default:
        rest_of(y, q, share, 4, n, out);
    }
}

/* Four columns with up to three vectors: inner products, and the part along the columns off. */
enum { COLUMNS = 4, VECTORS = 3 };

LANES_INLINE void products(double *const *v, const size_t nv, const double *const q[COLUMNS],
                           size_t first, size_t n, double out[VECTORS][COLUMNS])
{
    lanes sum[VECTORS][COLUMNS] = {0};
    size_t i = first;
    for (; i + LANES <= n; i += LANES)
#pragma GCC unroll 4
        for (size_t k = 0; k < COLUMNS; k++) {
            lanes c = lanes_load(q[k] + i);
#pragma GCC unroll 3
            for (size_t a = 0; a < nv; a++)
                sum[a][k] += c * lanes_load(v[a] + i);
        }
    for (size_t a = 0; a < nv; a++)
        for (size_t k = 0; k < COLUMNS; k++)
            out[a][k] = lanes_sum(sum[a][k]);
    for (; i < n; i++)
        for (size_t a = 0; a < nv; a++)
            for (size_t k = 0; k < COLUMNS; k++)
                out[a][k] += q[k][i] * v[a][i];
}

LANES_INLINE void take_off(double *const *v, const size_t nv, const double *const q[COLUMNS],
                           double part[VECTORS][COLUMNS], size_t n)
{
    size_t i = 0;
    for (; i + LANES <= n; i += LANES) {
        lanes c[COLUMNS];
#pragma GCC unroll 4
        for (size_t k = 0; k < COLUMNS; k++)
            c[k] = lanes_load(q[k] + i);
#pragma GCC unroll 3
        for (size_t a = 0; a < nv; a++) {
            lanes x = lanes_load(v[a] + i);
#pragma GCC unroll 4
            for (size_t k = 0; k < COLUMNS; k++)
                x -= part[a][k] * c[k];
            lanes_store(v[a] + i, x);
        }
    }
    for (; i < n; i++)
        for (size_t a = 0; a < nv; a++)
            for (size_t k = 0; k < COLUMNS; k++)
                v[a][i] -= part[a][k] * q[k][i];
}

/* All products before anything is taken off: the columns are orthonormal. Fewer than four at the
 * end: the first again, of which nothing is taken. */
LANES_INLINE void shrink_some(double *const *v, const size_t nv, const double *const *q,
                              const double *share, size_t nq, size_t first, size_t n)
{
    enum { MOST = 64 };
    double part[MOST / COLUMNS][VECTORS][COLUMNS];
    const double *column[MOST];
    size_t groups = (nq + COLUMNS - 1) / COLUMNS;
    for (size_t k = 0; k < groups * COLUMNS; k++)
        column[k] = q[k < nq ? k : 0];
    for (size_t g = 0; g < groups; g++) {
        products(v, nv, column + g * COLUMNS, first, n, part[g]);
        for (size_t a = 0; a < nv; a++)
            for (size_t k = 0; k < COLUMNS; k++)
                part[g][a][k] *= g * COLUMNS + k < nq ? share[g * COLUMNS + k] : 0.0;
    }
    for (size_t g = 0; g < groups; g++)
        take_off(v, nv, column + g * COLUMNS, part[g], n);
}

LANES_CLONES void moments_shrink(double *const *v, size_t nv, const double *const *q,
                                 const double *share, size_t nq, size_t first, size_t n)
{
    for (; nq > 0 && nv >= VECTORS; v += VECTORS, nv -= VECTORS)
        shrink_some(v, VECTORS, q, share, nq, first, n);
    if (nq > 0 && nv == 2) shrink_some(v, 2, q, share, nq, first, n);
    if (nq > 0 && nv == 1) shrink_some(v, 1, q, share, nq, first, n);
}

LANES_CLONES void moments_scale(double *v, double factor, size_t n)
{
    for (size_t i = 0; i < n; i++)
        v[i] *= factor;
}

LANES_CLONES void moments_subtract(double *v, double factor, const double *q, size_t n)
{
    for (size_t i = 0; i < n; i++)
        v[i] -= factor * q[i];
}
