/** Private to contact/: u(s) and f(s) of a parametric tip as a table, and the lever's curve from
 * it, four samples at a time.
 *
 *  Kept are u/s^2 and f/s^3, quintics between knots, from the closed expressions there and
 * Chebyshev series over each smooth part. A lever's deflection comes out within 1e-13 of the closed
 *  expressions, its slopes within 1e-10 (a unit test compares). Made once, on first use, and the
 * same on every rank. Beyond its end, and where its search does not settle at once, the closed
 *  expressions are used.
 */
#ifndef CANTLE_CONTACT_PARAMETRIC_TABLE_H
#define CANTLE_CONTACT_PARAMETRIC_TABLE_H

#include "contact/parametric.h"

enum { PARAMETRIC_KNOTS = 256, PARAMETRIC_CELLS = 9 * PARAMETRIC_KNOTS }; /* knots a unit of s */

struct parametric_table {
    double end;                        /**< largest s; 0: not made yet */
    double cell[PARAMETRIC_CELLS][12]; /**< u/s^2 and f/s^3, in the cell's variable 0..1 */
};

/** Make it, if it is not yet. joint, end: whole numbers up to 9, the curve is smooth from 0 to
 * joint and from there to end; joint = end: smooth throughout.
 * @return the table */
const struct parametric_table *
parametric_tabulate(struct parametric_table *table,
                    struct parametric_point (*at)(const double *number, double s),
                    const double *number, int joint, int end);

/** Where on the curve the last sample was. */
struct parametric_track {
    double t, s; /**< t is infinite where there was none */
    double s_t, s_tt;
};

/** Four samples of lever(), i.e. value, slope and by_lnkappa at t[0..3], by the table of p;
 * quickest in the neighbourhood of the last sample. @return false where a sample is out of contact
 * or the table cannot tell; then nothing is written */
bool parametric_table_four(const struct parametric *p, double kappa, const double *t,
                           struct parametric_track *track, struct contact_columns *out);

#endif
