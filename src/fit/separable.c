#include "fit/separable.h"

#include "base/lanes.h"
#include "fit/moments.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct fit_work {
    size_t n_max;
    double *block;                            /* owns everything below */
    double *q[FIT_MAX_LINEAR];                /* orthonormal basis of the linear columns */
    double r[FIT_MAX_LINEAR][FIT_MAX_LINEAR]; /* b = q r, upper triangular */
    double *slow[FIT_MAX_SLOW];               /* orthonormal cosines over the samples */
    size_t slow_samples;                      /* that they are made for; 0 = not yet */
    double shrink[FIT_MAX_SLOW]; /* what is taken off along each: 1 - 1/sqrt(1 + power) */
    double *y_white;             /* observations, whitened */
    double qy[FIT_MAX_LINEAR];   /* q' y_white */
    double *y_near; /* the same less what the linear columns held at the start of the search, so
                       that y_near - f is small and sums of it keep their digits */
    double share[FIT_MAX_LINEAR]; /* what was taken off, along q */
    double *residual;
    bool near;   /* y_near is made */
    bool plain;  /* now holds the columns of the last fit_finish, and no filter has seen them */
    size_t base; /* below it f is zero; the sums there are kept */
    double base_rr, base_qr[FIT_MAX_LINEAR];
    struct fit_columns now, trial;
};

/* What one evaluation gives the search. */
struct moments {
    double cost;
    double gradient[FIT_MAX_THETA];              /* J' r */
    double normal[FIT_MAX_THETA][FIT_MAX_THETA]; /* J' J, both with the linear part projected out */
    double left[FIT_MAX_LINEAR];                 /* what the linear columns hold of y_near - f */
    double held[FIT_MAX_LINEAR][FIT_MAX_THETA];  /* what they hold of J */
    double rounding;                             /* what the cost can be wrong by */
};

enum { COLUMNS = FIT_MAX_LINEAR + FIT_MAX_SLOW + 3 + 2 * (1 + FIT_MAX_THETA) };

size_t fit_work_bytes(size_t n_max)
{
    return COLUMNS * n_max * sizeof(double);
}

struct fit_work *fit_work_new(size_t n_max)
{
    struct fit_work *w = calloc(1, sizeof *w);
    if (!w) return NULL;
    w->n_max = n_max;
    w->block = calloc(COLUMNS * (n_max ? n_max : 1), sizeof *w->block);
    if (!w->block) {
        free(w);
        return NULL;
    }
    double *next = w->block;
    for (int j = 0; j < FIT_MAX_LINEAR; j++, next += n_max)
        w->q[j] = next;
    for (int k = 0; k < FIT_MAX_SLOW; k++, next += n_max)
        w->slow[k] = next;
    w->y_white = next, next += n_max;
    w->y_near = next, next += n_max;
    w->residual = next, next += n_max;
    struct fit_columns *both[] = {&w->now, &w->trial};
    for (int c = 0; c < 2; c++) {
        both[c]->f = next, next += n_max;
        for (int j = 0; j < FIT_MAX_THETA; j++, next += n_max)
            both[c]->jacobian[j] = next;
    }
    return w;
}

void fit_work_free(struct fit_work *w)
{
    if (w) free(w->block);
    free(w);
}

/* The whitening filter in place; v is zero before `first`. Samples without a full past count
 * nothing. */
static void whiten_fast(const struct fit_problem *p, double *v, size_t first)
{
    size_t order = p->ar_order, start = first > order ? first : order;
    if (order == 0) return;
    for (size_t i = p->n; i-- > start;) {
        double sum = v[i];
        for (size_t j = 0; j < order; j++)
            sum -= p->ar[j] * v[i - 1 - j];
        v[i] = sum;
    }
    for (size_t i = 0; i < order; i++)
        v[i] = 0;
    for (size_t i = p->gap; p->gap && i < p->gap + order && i < p->n; i++)
        v[i] = 0;
}

static void whiten(const struct fit_problem *p, const struct fit_work *w, double *v, size_t first)
{
    whiten_fast(p, v, first);
    moments_shrink(&v, 1, (const double *const *)w->slow, w->shrink, p->slow_n, first, p->n);
}

/* cos(pi k (i + 1/2) / n), normalised; by the recurrence of the cosine, eight side by side since
 * each step waits for the last. Most fits have as many samples as the one before. */
LANES_CLONES static void make_cosines(double *const *row, size_t first_k, size_t n)
{
    enum { WIDTH = 8 };
    double two[WIDTH], last[WIDTH], now[WIDTH], norm = sqrt(2.0 / (double)n);
    for (size_t q = 0; q < WIDTH; q++) { /* cos(-x) = cos(x) starts it */
        double step = M_PI * (double)(first_k + q + 1) / (double)n;
        two[q] = 2.0 * cos(step);
        last[q] = now[q] = norm * cos(0.5 * step);
    }
    for (size_t i = 0; i < n; i++)
        for (size_t q = 0; q < WIDTH; q++) {
            double next = two[q] * now[q] - last[q];
            row[q][i] = now[q];
            last[q] = now[q], now[q] = next;
        }
}

static void prepare_slow(const struct fit_problem *p, struct fit_work *w)
{
    for (size_t k = 0; k < p->slow_n; k++)
        w->shrink[k] = 1.0 - 1.0 / sqrt(1.0 + p->slow_power[k]);
    if (p->slow_n == 0 || w->slow_samples == p->n) return;
    for (size_t k = 0; k < FIT_MAX_SLOW; k += 8)
        make_cosines(w->slow + k, k, p->n);
    w->slow_samples = p->n;
}

/* Rows that are left when the filter has taken its start. */
static size_t rows(const struct fit_problem *p)
{
    return p->n - p->ar_order * (p->ar_order && p->gap ? 2 : 1);
}

/* Take what the columns before hold of q off it, over and over while rounding may have left some.
 * @return its norm, nil if it depends on them */
static double purify(const struct fit_problem *p, struct fit_work *w, size_t j, double before)
{
    double *q = w->q[j], norm = before, last;
    do {
        last = norm;
        for (size_t k = 0; k < j; k++) {
            double part = moments_dot(w->q[k], q, 0, p->n);
            w->r[k][j] += part;
            moments_subtract(q, part, w->q[k], p->n);
        }
        norm = sqrt(moments_dot(q, q, 0, p->n));
    } while (norm < 0.1 * last && norm > 1e-10 * before);
    return norm > 1e-10 * before ? norm : 0.0;
}

/* Column j becomes q[j], orthonormal to those before. @return false if it depends on them */
static bool add_column(const struct fit_problem *p, struct fit_work *w, size_t j)
{
    const double *const *q = (const double *const *)w->q, *column = p->linear[j];
    size_t n = p->n;
    double part[FIT_MAX_LINEAR], square, norm;
    if (p->ar_order || p->slow_n) {
        memcpy(w->residual, column, n * sizeof *column);
        whiten(p, w, w->residual, 0);
        column = w->residual;
    }
    square = norm = moments_with(column, q, j, n, part);
    for (size_t k = 0; k < j; k++) {
        w->r[k][j] = part[k];
        norm -= part[k] * part[k];
    }
    moments_rest(column, q, part, j, n, w->q[j]);
    /* where much was taken off, rounding left something along them */
    norm = j && !(norm > 0.01 * square) ? purify(p, w, j, sqrt(square)) : sqrt(norm);
    if (!(norm > 0)) return false;
    w->r[j][j] = norm;
    moments_scale(w->q[j], 1.0 / norm, n);
    return true;
}

bool fit_prepare(const struct fit_problem *p, struct fit_work *w)
{
    size_t n = p->n;
    w->near = false;
    if (n > w->n_max || n <= 2 * p->ar_order || rows(p) <= p->n_linear + p->n_theta) return false;
    prepare_slow(p, w);
    for (size_t j = 0; j < p->n_linear; j++)
        if (!add_column(p, w, j)) return false;
    memcpy(w->y_white, p->y, n * sizeof *w->y_white);
    whiten(p, w, w->y_white, 0);
    moments_with(w->y_white, (const double *const *)w->q, p->n_linear, n, w->qy);
    return true;
}

/* Sums over the samples below `base`, where f is zero. */
static void set_base(const struct fit_problem *p, struct fit_work *w, size_t base)
{
    const double *const *q = (const double *const *)w->q;
    w->base = base;
    w->base_rr = moments_with(w->y_near, q, p->n_linear, base, w->base_qr);
}

/* Take what the linear columns hold of the observations beside f off them. A search that moves the
 * begin of f to and fro rarely goes below `base`. */
static void approach(const struct fit_problem *p, struct fit_work *w, const struct fit_columns *c)
{
    size_t n = p->n, margin = n / 32;
    for (size_t k = 0; k < p->n_linear; k++)
        w->share[k] = w->qy[k] - moments_dot(w->q[k], c->f, c->first, n);
    moments_rest(w->y_white, (const double *const *)w->q, w->share, p->n_linear, n, w->y_near);
    set_base(p, w, c->first > margin ? c->first - margin : 0);
    w->near = true;
}

/* Inner products with the projection on the linear part taken off: for a, b zero before `first`,
 * (a,b) - sum_j (q_j,a)(q_j,b). */
static void measure(const struct fit_problem *p, struct fit_work *w, struct fit_columns *c,
                    struct moments *out)
{
    struct moment_sums sums;
    if (c->first < w->base) set_base(p, w, c->first);
    size_t empty = (c->first - w->base) * sizeof(double);
    struct moment_columns in = {w->base, p->n, w->y_near, c->f, p->n_theta, p->n_linear, {0}, {0}};
    memset(c->f + w->base, 0, empty);
    for (size_t j = 0; j < p->n_theta; j++) {
        memset(c->jacobian[j] + w->base, 0, empty);
        in.j[j] = c->jacobian[j];
    }
    for (size_t k = 0; k < p->n_linear; k++)
        in.q[k] = w->q[k];
    moments(&in, &sums);
    out->cost = sums.rr + w->base_rr;
    out->rounding = 1e-15 * out->cost;
    for (size_t k = 0; k < p->n_linear; k++) {
        sums.qr[k] += w->base_qr[k];
        out->left[k] = sums.qr[k];
        out->cost -= sums.qr[k] * sums.qr[k];
    }
    /* a model that has no number there is worse than any */
    out->cost = isnan(out->cost) ? INFINITY : fmax(out->cost, 0.0);
    memcpy(out->held, sums.qj, sizeof out->held);
    for (size_t a = 0; a < p->n_theta; a++) {
        out->gradient[a] = sums.jr[a];
        for (size_t k = 0; k < p->n_linear; k++)
            out->gradient[a] -= sums.qj[k][a] * sums.qr[k];
        for (size_t b = 0; b <= a; b++) {
            double sum = sums.jj[a][b];
            for (size_t k = 0; k < p->n_linear; k++)
                sum -= sums.qj[k][a] * sums.qj[k][b];
            out->normal[a][b] = out->normal[b][a] = sum;
        }
    }
}

/* Cholesky solve of a small symmetric system in place, scaled to unit diagonal. @return false if
 * not positive definite. */
static inline __attribute__((always_inline)) bool solve_of(const size_t n,
                                                           double a[][FIT_MAX_THETA], double *x)
{
    double scale[FIT_MAX_THETA], l[FIT_MAX_THETA][FIT_MAX_THETA];
    for (size_t i = 0; i < n; i++) {
        if (!(a[i][i] > 0)) return false;
        scale[i] = 1.0 / sqrt(a[i][i]);
    }
    for (size_t j = 0; j < n; j++)
        for (size_t i = j; i < n; i++) {
            double sum = a[i][j] * scale[i] * scale[j];
            for (size_t k = 0; k < j; k++)
                sum -= l[i][k] * l[j][k];
            if (i == j) {
                if (!(sum > 1e-14)) return false;
                l[i][i] = sqrt(sum);
            } else {
                l[i][j] = sum / l[j][j];
            }
        }
    for (size_t i = 0; i < n; i++) {
        x[i] *= scale[i];
        for (size_t k = 0; k < i; k++)
            x[i] -= l[i][k] * x[k];
        x[i] /= l[i][i];
    }
    for (size_t i = n; i-- > 0;) {
        for (size_t k = i + 1; k < n; k++)
            x[i] -= l[k][i] * x[k];
        x[i] /= l[i][i];
    }
    for (size_t i = 0; i < n; i++)
        x[i] *= scale[i];
    return true;
}

/* The sizes that a contact has are unrolled. */
static bool solve(size_t n, double a[][FIT_MAX_THETA], double *x)
{
    switch (n) {
    case 1:
        return solve_of(1, a, x);
    case 2:
        return solve_of(2, a, x);
    case 3:
        return solve_of(3, a, x);
    default:
        return solve_of(n, a, x);
    }
}

/* One damped step from theta, clipped to the box; its size in units of the problem's scales, and
 * what the quadratic model promises for it. */
struct proposal {
    double next[FIT_MAX_THETA], size, gain;
};

static void clip_step(const struct fit_problem *p, const double *theta, const double *step,
                      double fraction, struct proposal *out)
{
    out->size = 0;
    for (size_t i = 0; i < p->n_theta; i++) {
        out->next[i] = fmin(fmax(theta[i] + fraction * step[i], p->low[i]), p->high[i]);
        out->size = fmax(out->size, fabs(out->next[i] - theta[i]) / p->scale[i]);
    }
}

/* `held`: what each diagonal element counts at least in the damping; NULL: itself. */
static bool propose(const struct fit_problem *p, const struct moments *m, double damping,
                    const double *held, const double *theta, struct proposal *out)
{
    double a[FIT_MAX_THETA][FIT_MAX_THETA], step[FIT_MAX_THETA];
    out->gain = 0;
    for (size_t i = 0; i < p->n_theta; i++) {
        for (size_t j = 0; j < p->n_theta; j++)
            a[i][j] = m->normal[i][j];
        if (held)
            a[i][i] += damping * held[i];
        else
            a[i][i] *= 1.0 + damping;
        step[i] = m->gradient[i];
    }
    if (!solve(p->n_theta, a, step)) return false;
    for (size_t i = 0; i < p->n_theta; i++)
        out->gain += step[i] * m->gradient[i];
    clip_step(p, theta, step, 1.0, out);
    return isfinite(out->size);
}

/* A step that went too far: the gradients at both ends say where between them the cost is least.
 * Models with a kink at each sample need this, since their curvature is not that of the quadratic
 * model.
 * @return false if the far end does not lie well beyond a minimum */
static bool shorten(const struct fit_problem *p, const struct moments *at,
                    const struct moments *there, const double *theta, struct proposal *step)
{
    double near = 0, far = 0, full[FIT_MAX_THETA];
    for (size_t i = 0; i < p->n_theta; i++) {
        full[i] = step->next[i] - theta[i];
        near += full[i] * at->gradient[i];
        far += full[i] * there->gradient[i];
    }
    if (!(near > 0) || !(far < -0.25 * near)) return false;
    clip_step(p, theta, full, fmin(fmax(near / (near - far), 0.05), 0.95), step);
    return true;
}

static void compute(const struct fit_problem *p, struct fit_work *w, const double *theta,
                    struct fit_columns *columns)
{
    w->plain = false;
    p->model(theta, columns, p->context);
    if (!p->ar_order && !p->slow_n) return;
    double *all[1 + FIT_MAX_THETA] = {columns->f};
    for (size_t j = 0; j < p->n_theta; j++)
        all[1 + j] = columns->jacobian[j];
    for (size_t j = 0; j <= p->n_theta; j++) {
        for (size_t i = 0; i < columns->first; i++)
            all[j][i] = 0; /* the filters look back */
        whiten_fast(p, all[j], columns->first);
    }
    moments_shrink(all, 1 + p->n_theta, (const double *const *)w->slow, w->shrink, p->slow_n,
                   columns->first, p->n);
    if (p->slow_n) columns->first = 0;
}

static void evaluate(const struct fit_problem *p, struct fit_work *w, const double *theta,
                     struct fit_columns *columns, struct moments *out)
{
    compute(p, w, theta, columns);
    measure(p, w, columns, out);
}

static void accept(struct fit_work *w, const struct moments *there, struct moments *at)
{
    struct fit_columns swap = w->now;
    w->now = w->trial, w->trial = swap;
    *at = *there;
}

void fit_search(const struct fit_problem *p, struct fit_work *w, const double *start,
                struct fit_result *out)
{
    enum { MOST_TRIALS = 200 };
    const double smallest_step = 1e-11, settle = p->settle > 0 ? p->settle : 1e-8;
    struct moments at, there;
    struct proposal try;
    double damping = p->close ? 0.0 : 1e-3;
    memcpy(out->theta, start, p->n_theta * sizeof *start);
    out->degrees_of_freedom = rows(p) - p->n_theta - p->n_linear;
    compute(p, w, out->theta, &w->now);
    if (!p->again || !w->near) approach(p, w, &w->now);
    measure(p, w, &w->now, &at);
    out->converged = false;
    for (out->iterations = 0; out->iterations < MOST_TRIALS && !out->converged; out->iterations++) {
        if (!propose(p, &at, damping, NULL, out->theta, &try)) {
            damping = 10.0 * damping + 1e-6;
            if (damping > 1e12) break;
            continue;
        }
        if (damping <= 1e-3 && (try.gain * (double)out->degrees_of_freedom <= settle * at.cost ||
                                try.gain <= at.rounding)) {
            out->converged = true; /* the last step is good without a look */
            memcpy(out->theta, try.next, p->n_theta * sizeof *try.next);
            at.cost = fmax(at.cost - try.gain, 0.0);
            break;
        }
        evaluate(p, w, try.next, &w->trial, &there);
        if (shorten(p, &at, &there, out->theta, &try)) evaluate(p, w, try.next, &w->trial, &there);
        /* at a kink exactly on a sample steps shrink slowly; what is left is rounding of the cost
         */
        bool stalled = try.size < 1e-6 &&
                       fabs(there.cost - at.cost) <= fmin(1e-12, settle) * at.cost + at.rounding;
        out->converged = stalled || try.size < smallest_step;
        if (there.cost <= at.cost) {
            accept(w, &there, &at);
            memcpy(out->theta, try.next, p->n_theta * sizeof *try.next);
            damping = damping < 1e-9 ? 0.0 : 0.1 * damping;
        } else {
            damping = damping == 0.0 ? 1e-6 : 10.0 * damping;
        }
    }
    out->sum_squares = at.cost;
}

void fit_polish(const struct fit_problem *p, struct fit_work *w, double standard_errors,
                struct fit_result *io)
{
    enum { MOST_STEPS = 20 };
    const double small = standard_errors * standard_errors; /* of a residual variance */
    struct moments at, there;
    struct proposal step, next;
    double theta[FIT_MAX_THETA];
    memcpy(theta, io->theta, sizeof theta);
    evaluate(p, w, theta, &w->now, &at);
    if (!propose(p, &at, 0, NULL, theta, &step)) return;
    for (int i = 0; i < MOST_STEPS; i++) {
        bool last = step.gain * (double)io->degrees_of_freedom <= small * at.cost;
        if (!last) evaluate(p, w, step.next, &w->trial, &there);
        if (!last && shorten(p, &at, &there, theta, &step))
            evaluate(p, w, step.next, &w->trial, &there);
        memcpy(theta, step.next, sizeof theta);
        /* in a long flat valley an undamped step can lead uphill */
        if (!last && !(there.cost <= at.cost * (1 + 1e-12))) return;
        if (!last && (!propose(p, &there, 0, NULL, theta, &next) || !(next.gain < step.gain)))
            return;
        memcpy(io->theta, theta, sizeof theta);
        if (last) return;
        accept(w, &there, &at);
        io->sum_squares = at.cost;
        step = next;
    }
}

/* What the quadratic model promises for a step that is not its own. */
static double promise(const struct fit_problem *p, const struct moments *m, const double *step)
{
    double sum = 0;
    for (size_t i = 0; i < p->n_theta; i++) {
        double bend = 0;
        for (size_t j = 0; j < p->n_theta; j++)
            bend += m->normal[i][j] * step[j];
        sum += step[i] * (2.0 * m->gradient[i] - bend);
    }
    return sum;
}

/* Steps shorter than a scale, damped by the largest derivatives seen so far (J. J. More, Lect.
 * Notes Math. 630 (1978) 105), so that a parameter whose derivative has faded does not run away;
 * the damping follows what a step kept of its promise (H. B. Nielsen, report IMM-REP-1999-05,
 * Technical University of Denmark). */
static void creep(const struct fit_problem *p, struct fit_work *w, double *theta)
{
    enum { TRIALS = 500 };
    const double longest = 0.7; /* 0.3 to 1 do for MGH17 of NIST's reference sets */
    struct moments at, there;
    struct proposal try;
    double damping = 1e-3, grow = 2.0, held[FIT_MAX_THETA] = {0}, step[FIT_MAX_THETA];
    compute(p, w, theta, &w->now);
    approach(p, w, &w->now);
    measure(p, w, &w->now, &at);
    for (int trial = 0; trial < TRIALS && damping < 1e12; trial++) {
        for (size_t j = 0; j < p->n_theta; j++)
            held[j] = fmax(held[j], at.normal[j][j]);
        bool good = propose(p, &at, damping, held, theta, &try);
        for (size_t j = 0; j < p->n_theta && good; j++) {
            step[j] = (try.next[j] - theta[j]) * fmin(longest / try.size, 1.0);
            try.next[j] = theta[j] + step[j];
        }
        if (good) evaluate(p, w, try.next, &w->trial, &there);
        if (!good || !(there.cost < at.cost)) {
            damping *= grow, grow *= 2.0;
            continue;
        }
        double kept = 2.0 * (at.cost - there.cost) / promise(p, &at, step) - 1.0;
        damping *= fmax(1.0 / 3.0, 1.0 - kept * kept * kept), grow = 2.0;
        accept(w, &there, &at);
        memcpy(theta, try.next, p->n_theta * sizeof *theta);
    }
}

void fit_search_far(const struct fit_problem *p, struct fit_work *w, const double *start,
                    struct fit_result *out)
{
    double theta[FIT_MAX_THETA];
    memcpy(theta, start, p->n_theta * sizeof *start);
    creep(p, w, theta);
    fit_search(p, w, theta, out);
}

/* Inverse of the theta block by solving for unit vectors. */
static bool invert(const struct fit_problem *p, const struct moments *m,
                   double inverse[][FIT_MAX_THETA])
{
    for (size_t j = 0; j < p->n_theta; j++) {
        double a[FIT_MAX_THETA][FIT_MAX_THETA], column[FIT_MAX_THETA] = {0};
        memcpy(a, m->normal, sizeof a);
        column[j] = 1.0;
        if (!solve(p->n_theta, a, column)) return false;
        for (size_t i = 0; i < p->n_theta; i++)
            inverse[i][j] = column[i];
    }
    return true;
}

/* x := r^-1 x for the upper triangle r of the linear columns. */
static void solve_linear(const struct fit_problem *p, const struct fit_work *w, double *x)
{
    for (size_t i = p->n_linear; i-- > 0;) {
        for (size_t k = i + 1; k < p->n_linear; k++)
            x[i] -= w->r[i][k] * x[k];
        x[i] /= w->r[i][i];
    }
}

/* c = r^-1 q'(y - f), so dc/dtheta = -r^-1 q'J; what is left of c's variance is s^2 r^-1 r^-T,
 * since q'y and the projected y are independent for white noise. */
static void fill_covariance(const struct fit_problem *p, struct fit_work *w,
                            const struct moments *m, struct fit_result *out)
{
    size_t nt = p->n_theta, nl = p->n_linear;
    double inverse[FIT_MAX_THETA][FIT_MAX_THETA], g[FIT_MAX_THETA][FIT_MAX_LINEAR];
    double root[FIT_MAX_LINEAR][FIT_MAX_LINEAR];
    double variance = out->sum_squares / (double)out->degrees_of_freedom;
    out->singular = !invert(p, m, inverse);
    for (size_t i = 0; i < nt + nl; i++)
        for (size_t j = 0; j < nt + nl; j++)
            out->covariance[i][j] = out->singular ? NAN : 0.0;
    if (out->singular) return;
    for (size_t j = 0; j < nt; j++) {
        for (size_t k = 0; k < nl; k++)
            g[j][k] = -m->held[k][j];
        solve_linear(p, w, g[j]);
        for (size_t i = 0; i < nt; i++)
            out->covariance[i][j] = variance * inverse[i][j];
    }
    for (size_t k = 0; k < nl; k++) {
        memset(root[k], 0, sizeof root[k]);
        root[k][k] = 1.0;
        solve_linear(p, w, root[k]); /* root[k][i] = (r^-1)[i][k] */
        for (size_t i = 0; i < nt; i++) {
            double sum = 0;
            for (size_t j = 0; j < nt; j++)
                sum += out->covariance[i][j] * g[j][k];
            out->covariance[i][nt + k] = out->covariance[nt + k][i] = sum;
        }
    }
    for (size_t a = 0; a < nl; a++)
        for (size_t b = 0; b < nl; b++) {
            double sum = 0;
            for (size_t k = 0; k < nl; k++)
                sum += variance * root[k][a] * root[k][b];
            for (size_t j = 0; j < nt; j++)
                sum += g[j][a] * out->covariance[j][nt + b];
            out->covariance[nt + a][nt + b] = sum;
        }
}

void fit_finish(const struct fit_problem *p, struct fit_work *w, struct fit_result *out)
{
    struct moments m;
    compute(p, w, out->theta, &w->now);
    if (!w->near) approach(p, w, &w->now);
    measure(p, w, &w->now, &m);
    out->sum_squares = m.cost;
    for (size_t k = 0; k < p->n_linear; k++)
        out->linear[k] = w->share[k] + m.left[k];
    moments_rest(w->y_near, (const double *const *)w->q, m.left, p->n_linear, p->n, w->residual);
    moments_subtract(w->residual + w->now.first, 1.0, w->now.f + w->now.first, p->n - w->now.first);
    solve_linear(p, w, out->linear);
    fill_covariance(p, w, &m, out);
    w->plain = !p->ar_order && !p->slow_n;
}

const double *fit_residuals(const struct fit_work *w)
{
    return w->residual;
}

/* The model's columns at a finished result, as no filter has seen them. */
static const struct fit_columns *raw_columns(const struct fit_problem *p, struct fit_work *w,
                                             const struct fit_result *at)
{
    if (w->plain) return &w->now;
    p->model(at->theta, &w->trial, p->context);
    return &w->trial;
}

/* The unknowns are (J'VJ)^-1 J'V y to first order, V the inverse covariance of the noise, so their
 * covariance with w'y is C J' w, with the J that no filter has seen. */
void fit_covariance_with(const struct fit_problem *p, struct fit_work *w,
                         const struct fit_result *at, size_t first, size_t m, const double *weight,
                         double out[FIT_MAX_ALL])
{
    double seen[FIT_MAX_ALL] = {0};
    const struct fit_columns *c = raw_columns(p, w, at);
    for (size_t i = 0; i < m; i++) {
        size_t k = first + i;
        for (size_t j = 0; j < p->n_theta && k >= c->first; j++)
            seen[j] += weight[i] * c->jacobian[j][k];
        for (size_t j = 0; j < p->n_linear; j++)
            seen[p->n_theta + j] += weight[i] * p->linear[j][k];
    }
    for (size_t a = 0; a < p->n_theta + p->n_linear; a++) {
        out[a] = 0;
        for (size_t b = 0; b < p->n_theta + p->n_linear; b++)
            out[a] += at->covariance[a][b] * seen[b];
    }
}

void fit_values(const struct fit_problem *p, struct fit_work *w, const struct fit_result *at,
                double *values)
{
    const struct fit_columns *c = raw_columns(p, w, at);
    memset(values, 0, c->first * sizeof *values);
    memcpy(values + c->first, c->f + c->first, (p->n - c->first) * sizeof *values);
    for (size_t k = 0; k < p->n_linear; k++)
        moments_subtract(values, -at->linear[k], p->linear[k], p->n);
}
