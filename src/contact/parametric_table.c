#include "contact/parametric_table.h"

#include "base/lanes.h"
#include "contact/chebyshev.h"

#include <math.h>

/* The nearest singularities, at i pi/2 of the sphere and i of the blunted cone's side, leave 1e-16;
 * more terms would only cost digits of the derivatives. */
enum { TERMS_TIP = 36, TERMS_SIDE = 72 };

struct curve {
    struct parametric_point (*at)(const double *number, double s);
    const double *number;
};

/* u/s^2 and f/s^3, and their slopes. */
struct stretched {
    double value[2], slope[2];
};

static struct stretched stretch(const struct curve *c, double s)
{
    struct parametric_point p = c->at(c->number, s);
    double s2 = s * s, f_s = p.f_u * p.u_s;
    return (struct stretched){{p.u / s2, p.f / (s2 * s)},
                              {(p.u_s - 2.0 * p.u / s) / s2, (f_s - 3.0 * p.f / s) / (s2 * s)}};
}

/* One smooth part of the curve, [from, from + length], as Chebyshev series. */
struct part {
    const struct curve *curve;
    int terms;
    double from, length, value[2][TERMS_SIDE], slope[2][TERMS_SIDE];
};

static void part_fit(struct part *p)
{
    double value[2][TERMS_SIDE], slope[2][TERMS_SIDE];
    for (int j = 0; j < p->terms; j++) {
        double s = p->from + chebyshev_node(j, p->terms, p->length);
        struct stretched at = stretch(p->curve, s);
        for (int k = 0; k < 2; k++)
            value[k][j] = at.value[k], slope[k][j] = at.slope[k];
    }
    for (int k = 0; k < 2; k++) {
        chebyshev_fit(value[k], p->terms, p->value[k]);
        chebyshev_fit(slope[k], p->terms, p->slope[k]);
    }
}

/* At a knot: the closed expressions, and the second derivative from the series of the first. The
 * begin of a part is a limit. */
static struct jet part_at(const struct part *p, int which, int knot)
{
    double x = (double)knot / PARAMETRIC_KNOTS;
    struct jet slope = chebyshev_at(p->slope[which], p->terms, p->length, x);
    if (knot == 0) {
        struct jet value = chebyshev_at(p->value[which], p->terms, p->length, x);
        return (struct jet){value.f, slope.f, slope.f1};
    }
    struct stretched at = stretch(p->curve, p->from + x);
    return (struct jet){at.value[which], at.slope[which], slope.f1};
}

static void part_tabulate(const struct part *p, struct parametric_table *table)
{
    int first = (int)(p->from * PARAMETRIC_KNOTS), cells = (int)(p->length * PARAMETRIC_KNOTS);
    for (int which = 0; which < 2; which++) {
        struct jet here = part_at(p, which, 0);
        for (int i = 0; i < cells; i++) {
            struct jet next = part_at(p, which, i + 1);
            quintic_between(here, next, 1.0 / PARAMETRIC_KNOTS, table->cell[first + i] + 6 * which);
            here = next;
        }
    }
}

const struct parametric_table *
parametric_tabulate(struct parametric_table *table,
                    struct parametric_point (*at)(const double *number, double s),
                    const double *number, int joint, int end)
{
    const double knots[] = {0.0, joint, end};
    const struct curve curve = {at, number};
    if (table->end > 0) return table;
    for (int i = 0; i < 2; i++) {
        struct part p = {.curve = &curve,
                         .terms = i ? TERMS_SIDE : TERMS_TIP,
                         .from = knots[i],
                         .length = knots[i + 1] - knots[i]};
        if (!(p.length > 0)) continue;
        part_fit(&p);
        part_tabulate(&p, table);
    }
    table->end = end;
    return table;
}

/* Value, first and half the second derivative by the cell's variable (Horner's scheme). */
LANES_INLINE void quintic_of_four(const double *const cell[LANES], int from, lanes x, lanes d[3])
{
    lanes value = {0}, slope = {0}, bend = {0};
    for (int m = from + 5; m >= from; m--) {
        lanes c = {cell[0][m], cell[1][m], cell[2][m], cell[3][m]};
        bend = bend * x + slope;
        slope = slope * x + value;
        value = value * x + c;
    }
    d[0] = value, d[1] = slope, d[2] = bend;
}

/* A function and its derivatives by s. */
struct four {
    lanes f, f1, f2;
};

/* u and f at s within the table. */
LANES_INLINE void points_of_four(const struct parametric_table *table, lanes s, struct four *u,
                                 struct four *f)
{
    const double *cell[LANES];
    const double per = PARAMETRIC_KNOTS;
    lanes x, a[3], b[3], s2 = s * s;
    for (int q = 0; q < LANES; q++) {
        int i = (int)(s[q] * per);
        cell[q] = table->cell[i];
        x[q] = s[q] * per - i;
    }
    quintic_of_four(cell, 0, x, a);
    quintic_of_four(cell, 6, x, b);
    for (int k = 1; k < 3; k++)
        a[k] *= k * per * (k == 2 ? per : 1.0), b[k] *= k * per * (k == 2 ? per : 1.0);
    u->f = s2 * a[0];
    u->f1 = s * (2.0 * a[0] + s * a[1]);
    u->f2 = 2.0 * a[0] + s * (4.0 * a[1] + s * a[2]);
    f->f = s2 * s * b[0];
    f->f1 = s2 * (3.0 * b[0] + s * b[1]);
    f->f2 = s * (6.0 * b[0] + s * (6.0 * b[1] + s * b[2]));
}

LANES_INLINE bool any(lanes_mask m)
{
    return m[0] | m[1] | m[2] | m[3];
}

/* Halley's steps from s to the root of u + kappa f = t; the last one, so short that its cube is
 * rounding, is carried over by the derivatives. */
LANES_CLONES bool parametric_table_four(const struct parametric *p, double kappa,
                                        const double *t_of, struct parametric_track *track,
                                        struct contact_columns *out)
{
    const struct parametric_table *table = p->table;
    enum { STEPS = 6 };
    struct four u, f;
    lanes t = lanes_load(t_of), past = t - track->t, step, h2;
    lanes s = track->s + past * (track->s_t + 0.5 * past * track->s_tt);
    if (any(~(t > 0.0))) return false;
    if (any(~((t > 0.2 * track->t) & (t < 5.0 * track->t) & (s > 0.0))))
        for (int q = 0; q < LANES; q++)
            s[q] = p->guess(p->number, t[q], kappa);
    for (int i = 0;; i++) {
        if (i == STEPS || any(~((s > 0.0) & (s < table->end)))) return false;
        points_of_four(table, s, &u, &f);
        lanes h = u.f + kappa * f.f - t, h1 = u.f1 + kappa * f.f1;
        h2 = u.f2 + kappa * f.f2;
        step = h * h1 / (h1 * h1 - 0.5 * h * h2);
        if (!any(~((step < 1e-6 * s) & (step > -1e-6 * s)))) break;
        s -= step;
    }
    lanes force = f.f - step * (f.f1 - 0.5 * step * f.f2);
    lanes u_s = u.f1 - step * u.f2, f_s = f.f1 - step * f.f2;
    lanes grow = kappa * f_s / u_s, per = 1.0 / (1.0 + grow), y = kappa * force;
    lanes s_t = per / u_s, s_tt = -h2 * s_t * s_t * s_t;
    lanes_store(out->value, y);
    lanes_store(out->slope, grow * per);
    lanes_store(out->by_lnkappa, y * per);
    *track = (struct parametric_track){t[3], s[3] - step[3], s_t[3], s_tt[3]};
    return true;
}
