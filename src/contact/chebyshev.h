/** Private to contact/: a function known at Chebyshev's points, and its derivatives, for tables of
 * piecewise polynomials. */
#ifndef CANTLE_CONTACT_CHEBYSHEV_H
#define CANTLE_CONTACT_CHEBYSHEV_H

/** A function and its first two derivatives. */
struct jet {
    double f, f1, f2;
};

/** Point j, 0 <= j < terms, of the interval [0, length]; from its far end. */
double chebyshev_node(int j, int terms, double length);

/** Coefficients [terms] from the values [terms] at the points. */
void chebyshev_fit(const double *values, int terms, double *series);

/** The sum and its derivatives at x in [0, length]; terms >= 2. */
struct jet chebyshev_at(const double *series, int terms, double length, double x);

/** Quintic between two jets `step` apart (Hermite), in the variable 0..1 between them. */
void quintic_between(struct jet a, struct jet b, double step, double c[6]);

#endif
