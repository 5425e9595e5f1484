/** Inner products over samples, all of a least-squares step in one pass. Sums are made in four
 *  lanes in a fixed order (base/lanes.h). */
#ifndef CANTLE_FIT_MOMENTS_H
#define CANTLE_FIT_MOMENTS_H

#include <stddef.h>

enum { MOMENTS_MOST_J = 8, MOMENTS_MOST_Q = 4 }; /* up to four of both are quick */

/** Columns over samples [from, to): residual r = y - f, derivatives j, linear columns q. */
struct moment_columns {
    size_t from, to;
    const double *y, *f;
    size_t nj, nq;
    const double *j[MOMENTS_MOST_J], *q[MOMENTS_MOST_Q];
};

struct moment_sums {
    double rr, jr[MOMENTS_MOST_J], qr[MOMENTS_MOST_Q];
    double jj[MOMENTS_MOST_J][MOMENTS_MOST_J]; /**< lower triangle */
    double qj[MOMENTS_MOST_Q][MOMENTS_MOST_J]; /**< [q][j] */
};

void moments(const struct moment_columns *c, struct moment_sums *out);

/** sum a b over [from, to). */
double moments_dot(const double *a, const double *b, size_t from, size_t to);

/** sum y^2 over [0, n), and sum q_k y into qy. */
double moments_with(const double *y, const double *const *q, size_t nq, size_t n, double *qy);

/** out = y - sum_k share[k] q_k over [0, n). */
void moments_rest(const double *y, const double *const *q, const double *share, size_t nq, size_t n,
                  double *out);

/** Of each vector v: v -= sum_k share[k] (q_k, v) q_k over [0, n) for orthonormal q_k; v is zero
 * before `first`. Up to three vectors at once are quick: it is the reading of q that takes the
 * time. */
void moments_shrink(double *const *v, size_t nv, const double *const *q, const double *share,
                    size_t nq, size_t first, size_t n);

/** v *= factor over [0, n). */
void moments_scale(double *v, double factor, size_t n);

/** v -= factor q over [0, n). */
void moments_subtract(double *v, double factor, const double *q, size_t n);

#endif
