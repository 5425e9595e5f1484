/** The same least-squares problem for general solvers: cminpack's lmder and GSL's multifit_nlinear,
 * all unknowns searched, analytic derivatives. Contact models written here from the papers, without
 * the program's own, so that a minimum found by both is a check of both.
 *
 *  Paraboloid: H. Hertz, J. reine angew. Math. 92 (1882) 156. JKR: K. L. Johnson, K. Kendall, A. D.
 *  Roberts, Proc. R. Soc. A 324 (1971) 301, as a polynomial in the root of the contact radius.
 * Units: nm, nN, MPa, mJ/m2, so that every unknown is of order one. */
#ifndef CANTLE_BENCH_GENERAL_FIT_H
#define CANTLE_BENCH_GENERAL_FIT_H

#include <stdbool.h>
#include <stddef.h>

enum { GENERAL_MAX = 5 }; /* unknowns: contact point, E*, [w,] offset, slope */
enum { GENERAL_CONTACT_POINT, GENERAL_MODULUS, GENERAL_WORK };

struct general_problem {
    bool jkr, lever;       /**< lever: deflection over z; else over indentation */
    double spring, radius; /**< N/m = nN/nm; nm */
    size_t n, contact;     /**< samples; JKR: first one in contact */
    const double *x;       /**< [n] nm: z, or z - deflection */
    const double *y;       /**< [n] nm: deflection */
    const double *ramp;    /**< [n] from -1 to 1 over the samples' z: column of the slope */
};

size_t general_unknowns(const struct general_problem *p);

/** Start: contact point where the curve last leaves the baseline by five times the noise (JKR: from
 * the depths of zero force and of the lowest force), modulus through the last sample.
 *  @param noise  nm, rms */
void general_guess(const struct general_problem *p, const double *indent, double noise,
                   double start[GENERAL_MAX]);

/** Least sum of squares (nm^2) over offset and slope at given contact point, modulus, work. */
double general_cost(const struct general_problem *p, const double *theta);

/** Buffers of both solvers for n samples. */
struct general_work;
struct general_work *general_work_new(const struct general_problem *p);
void general_work_free(struct general_work *w);

/** Minimise from `theta` and write the result there; false if the solver gave up. */
bool general_cminpack(const struct general_problem *p, struct general_work *w, double *theta);
bool general_gsl(const struct general_problem *p, struct general_work *w, double *theta);

#endif
