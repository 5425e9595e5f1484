/** Private to contact/: a curve that is known by points, depth u(p) and force f(p) of a parameter p
 *  that grows with depth, on a lever: the roots of u + kappa f = t for many samples at once.
 *
 *  A start curve for each call (roots as a polynomial, from a dozen points of the curve), then
 * steps of Newton's and Halley's, four samples at a time over blocks of such fours, so that a
 * processor works at several of them. A root is as good as the points are, within 1e-12; slopes
 * within 1e-10 (unit tests compare).
 */
#ifndef CANTLE_CONTACT_BY_POINTS_H
#define CANTLE_CONTACT_BY_POINTS_H

#include "base/lanes.h"
#include "contact/contact.h"

enum { POINTS_GROUPS = 16 };

/** Four points of a curve. */
struct points_four {
    lanes u, f;             /**< reduced depth and force */
    lanes u_p, f_p;         /**< by p */
    lanes u_extra, f_extra; /**< by the model's further number at fixed p, where it has one */
};

/** Points at [groups] times four p, groups <= POINTS_GROUPS. */
typedef void points_at(const void *of, const lanes *p, size_t groups, struct points_four *out);

struct by_points;

/** One sample after the other. */
typedef void points_each(const struct by_points *curve, const double *t, size_t n,
                         struct contact_columns *out);

struct by_points {
    points_at *points; /**< NULL: `each` only */
    const void *of;    /**< what `points` must know */
    double kappa;      /**< 0: at fixed depth */
    double end, t_end; /**< where the curve begins: dt/dp = 0 there or p cannot be less */
    double off;        /**< force before that */
    double smallest; /**< step of p that is nothing even next to the end, where t hardly changes */
    bool extra;      /**< the points know the derivative by a further number */
    bool by_depth;   /**< y = t - u where kappa is large, since f there has lost digits */
    size_t few;      /**< from so many samples on a start curve pays */
    points_each *each;   /**< for fewer, and where the search does not settle */
    const void *context; /**< of `each` */
};

/** lever() of contact.h (by_lnkappa is there), or force() (by_lnkappa is NULL, kappa is 0). */
void by_points(const struct by_points *curve, const double *t, size_t n,
               struct contact_columns *out);

#endif
