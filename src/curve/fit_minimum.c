/* The minimum of the sum of squares: on block means first, then on the samples, then beside what
 * was found where there may be another. */
#include "curve/fit_private.h"

#include <math.h>
#include <string.h>

/* Minima between neighbouring samples: start again a sample or two to either side of the best. */
void fit_neighbours(struct curve_work *w, const struct fit_set *set, const struct fit_problem *p,
                    struct fit_result *best)
{
    double step = (set->z[set->n - 1] - set->z[0]) / (double)(set->n - 1);
    struct fit_problem near = *p;
    bool better = true;
    for (int round = 0; round < 4 && better; round++) {
        double start[FIT_MAX_THETA], from = best->theta[0];
        better = false;
        for (int hop = -3; hop <= 3; hop++) {
            struct fit_result found;
            if (hop == 0) continue;
            memcpy(start, best->theta, sizeof start);
            start[0] = fmin(fmax(from + hop * step, p->low[0]), p->high[0]);
            fit_search(&near, w->fit, start, &found);
            near.again = true;
            if (!(found.sum_squares < best->sum_squares * (1.0 - 1e-12))) continue;
            *best = found;
            better = true;
        }
    }
}

/* A start at z0 whose curve meets the turning point (rigid: one that hardly gives way). @return
 * false where no contact does */
static bool shallow_start(const struct curve_plan *plan, const struct fit_set *set, double z0,
                          bool rigid, const struct fit_result *like, double theta[FIT_MAX_THETA])
{
    const struct contact_model *m = plan->model;
    double length, kappa, past = set->end_z - z0 - (m->pull ? set->pull_m : 0.0);
    size_t next = 1;
    memcpy(theta, like->theta, sizeof like->theta);
    theta[0] = z0 + (plan->force_space && m->pull ? set->pull_m : 0.0);
    if (rigid) past = set->end_d * (1 + 1e-3);
    m->match(&plan->setup, past, set->end_d, set->pull_m, &length, &kappa);
    if (!(length > 0 && isfinite(length) && kappa > 0 && isfinite(kappa))) return false;
    if (m->free_length) theta[next++] = log(length);
    if (m->free_kappa) theta[next++] = log(kappa);
    return true;
}

/* Where the contact is a few samples deep, or not much deeper than the noise, the sum of squares
 * has a minimum between many pairs of samples, and one more for a sample that hardly gives way. */
static void search_shallow(const struct curve_plan *plan, struct curve_work *w,
                           const struct fit_set *set, const struct fit_problem *p,
                           struct fit_result *best)
{
    enum { FEW = 8, RIGID = 3 };
    double step = (set->z[set->n - 1] - set->z[0]) / (double)(set->n - 1);
    double pull = plan->model->pull ? set->pull_m : 0.0, deepest = set->end_z - set->end_d - pull;
    double noise = sqrt(best->sum_squares / (double)set->n);
    double depth = set->end_z - set->end_d - best->theta[0] - (plan->force_space ? 0.0 : pull);
    if (!(depth < fmax(FEW * step, 6.0 * noise))) return;
    struct fit_result like = *best, found;
    struct fit_problem near = *p;
    for (int i = -RIGID; i < FEW; i++) {
        double start[FIT_MAX_THETA], z0 = deepest - (i + 0.5) * step;
        if (!shallow_start(plan, set, z0, i < 1, &like, start)) continue;
        for (size_t k = 0; k < p->n_theta; k++)
            start[k] = fmin(fmax(start[k], p->low[k]), p->high[k]);
        fit_search(&near, w->fit, start, &found);
        near.again = true;
        if (found.sum_squares < best->sum_squares) *best = found;
    }
    fit_neighbours(w, set, p, best);
}

static bool same_place(const struct fit_problem *p, const double *a, const double *b)
{
    for (size_t k = 0; k < p->n_theta; k++)
        if (!(fabs(a[k] - b[k]) < 1e-3 * p->scale[k])) return false;
    return true;
}

/* One minimum near the contact point is the least one only where there are not several close
 * together, as with kinks at samples, a jump off contact, a further number, or a part of the
 * contact only. */
static bool is_safe_start(const struct curve_plan *plan)
{
    const struct contact_model *m = plan->model;
    bool whole = !(plan->from > 0) && plan->to_is == RANGE_SHARE_OF_PEAK && plan->to >= 1.0;
    return plan->hint && isfinite(plan->hint->contact_point_m) && whole && !m->kink &&
           !m->adhesive && !plan->free_extra;
}

/* Where the search begins: at the contact point that an earlier fit to this curve found, or at
 * those of a scan. @return how many starts */
static int first_starts(const struct curve_plan *plan, struct curve_work *w,
                        const struct fit_set *blocks, const struct fit_problem *p, bool hinted,
                        double theta[FIT_STARTS][FIT_MAX_THETA])
{
    struct fit_result nothing = {.theta = {0}};
    if (!hinted) return fit_starts(plan, w, blocks, theta);
    if (!shallow_start(plan, blocks, plan->hint->contact_point_m, false, &nothing, theta[0]))
        return 0;
    for (size_t k = 0; k < p->n_theta; k++)
        if (!(theta[0][k] > p->low[k] && theta[0][k] < p->high[k])) return 0;
    return 1;
}

/* Minima of the sum of squares over block means: cheap to find, and close to those of the samples.
 * Each is followed so far that the search on the samples, which begins there and in which
 * distances shrink further, does not tell where the one on blocks began: a refit gives the bits of
 * a fresh fit.
 * @return how many, best first; *from_blocks is false where blocks are no help */
static int search_blocks(const struct curve_plan *plan, struct curve_work *w,
                         const struct fit_set *set, bool hinted, bool *from_blocks,
                         double theta[FIT_STARTS][FIT_MAX_THETA])
{
    struct fit_set blocks;
    struct model_context context = {plan, w, &blocks, 0};
    struct fit_problem p;
    struct fit_result found[FIT_STARTS], r;
    size_t block = fit_set_blocks(plan, w, set, &blocks);
    fit_set_problem(plan, w, &blocks, &context, &p);
    int n = first_starts(plan, w, &blocks, &p, hinted, theta), kept = 0;
    /* kinks need every sample; the further number of an adhesive model is known too badly from
     * blocks */
    *from_blocks = block > 1 && !plan->model->kink && !(plan->free_extra && plan->model->adhesive);
    p.settle = 1e-3;
    if (*from_blocks) *from_blocks = fit_prepare(&p, w->fit);
    if (!*from_blocks) return n;
    for (int i = 0; i < n; i++) {
        fit_search(&p, w->fit, theta[i], &r);
        int at = kept;
        for (int j = 0; j < kept; j++)
            if (same_place(&p, found[j].theta, r.theta)) at = -1;
        if (at < 0 || !isfinite(r.sum_squares)) continue;
        if (r.converged) fit_polish(&p, w->fit, 1e-6, &r);
        for (kept++; at > 0 && r.sum_squares < found[at - 1].sum_squares; at--)
            found[at] = found[at - 1];
        found[at] = r;
    }
    /* what is far above the best in units of the noise cannot be the minimum of the samples */
    double level = kept ? found[0].sum_squares * (1.0 + 50.0 / (double)p.n) : 0;
    int good = 0;
    for (int i = 0; i < kept && found[i].sum_squares <= level; i++)
        memcpy(theta[good++], found[i].theta, sizeof theta[0]);
    return good;
}

/* A further number that ran to the end of its range may have passed the minimum by: the other
 * unknowns first, with that number held, then all. */
static void search_held(struct curve_work *w, struct fit_problem *p, int n,
                        double start[FIT_STARTS][FIT_MAX_THETA], struct fit_result *best)
{
    size_t k = p->n_theta - 1;
    double low = p->low[k], high = p->high[k];
    if (best->theta[k] > low && best->theta[k] < high) return;
    for (int i = 0; i < n; i++) {
        struct fit_result held, found;
        p->low[k] = p->high[k] = start[i][k];
        fit_search(p, w->fit, start[i], &held);
        p->low[k] = low, p->high[k] = high;
        fit_search(p, w->fit, held.theta, &found);
        if (found.sum_squares < best->sum_squares) *best = found;
    }
}

static bool find_minimum(const struct curve_plan *plan, struct curve_work *w,
                         const struct fit_set *set, struct model_context *context, bool hinted,
                         struct fit_problem *p, struct fit_result *best)
{
    struct fit_result found;
    double start[FIT_STARTS][FIT_MAX_THETA];
    bool from_blocks;
    int n = search_blocks(plan, w, set, hinted, &from_blocks, start);
    fit_set_problem(plan, w, set, context, p);
    if (n == 0 || !fit_prepare(p, w->fit)) return false;
    p->close = from_blocks;
    if (from_blocks) p->settle = SETTLED;
    for (int i = 0; i < n; i++) {
        if (fit_by_end(plan))
            fit_search_end(p, w, start[i], &found);
        else
            fit_search(p, w->fit, start[i], &found);
        if (i == 0 || found.sum_squares < best->sum_squares) *best = found;
    }
    p->close = false, p->settle = 0;
    if (hinted && !(best->converged && !fit_at_bound(plan, p, set, best))) return false;
    if (plan->free_extra) search_held(w, p, n, start, best);
    if (plan->model->kink)
        fit_neighbours(w, set, p, best);
    else
        search_shallow(plan, w, set, p, best);
    /* without blocks the start is still to be seen in the last digits */
    if (!from_blocks && !plan->model->kink && !plan->values_only && best->converged)
        fit_polish(p, w->fit, POLISHED, best);
    return isfinite(best->sum_squares);
}

bool fit_minimum(const struct curve_plan *plan, struct curve_work *w, const struct fit_set *set,
                 struct model_context *context, struct fit_problem *p, struct fit_result *best)
{
    return (is_safe_start(plan) && find_minimum(plan, w, set, context, true, p, best)) ||
           find_minimum(plan, w, set, context, false, p, best);
}
