/* Which samples of a segment the contact fit uses. */
#include "base/lanes.h"
#include "curve/fit_private.h"
#include "curve/passes.h"

#include <math.h>
#include <string.h>

double mean_of_three(const struct lane *lane, size_t i)
{
    const double *v = lane->flat + i;
    if (i > 0 && i + 1 < lane->n) return (v[-1] + v[0] + v[1]) / 3.0;
    size_t a = i > 0 ? i - 1 : 0, b = i + 1 < lane->n ? i + 1 : i;
    double sum = 0;
    for (size_t k = a; k <= b; k++)
        sum += lane->flat[k];
    return sum / (double)(b - a + 1);
}

/* A limit of the fitted range in the quantity of lane: force / k, or indentation. */
static double range_value(const struct curve_plan *plan, const struct lane *lane, enum range_of is,
                          size_t i, double contact_point)
{
    double d = mean_of_three(lane, i);
    return is == RANGE_INDENTATION ? lane->z[i] - d - contact_point
                                   : plan->setup.spring_n_per_m * d;
}

static double range_limit(const struct curve_plan *plan, const struct lane *lane, enum range_of is,
                          double limit)
{
    return is == RANGE_SHARE_OF_PEAK ? limit * plan->setup.spring_n_per_m * lane->peak_d : limit;
}

/* Samples [begin, end) of the contact that the recipe's range lets in. Without a contact point
 * (NaN) limits by indentation wait for the second pass. */
static void range_samples(const struct curve_plan *plan, const struct lane *lane, size_t contact,
                          double contact_point, size_t *begin, size_t *end)
{
    double from = range_limit(plan, lane, plan->from_is, plan->from);
    double to = range_limit(plan, lane, plan->to_is, plan->to);
    bool waits = isnan(contact_point);
    *begin = contact;
    *end = lane->n;
    if (from > 0 && !(waits && plan->from_is == RANGE_INDENTATION))
        for (size_t i = lane->n; i-- > contact;)
            if (range_value(plan, lane, plan->from_is, i, contact_point) < from) {
                *begin = i + 1;
                break;
            }
    if (plan->to_is == RANGE_SHARE_OF_PEAK && plan->to >= 1.0) return;
    if (waits && plan->to_is == RANGE_INDENTATION) return;
    for (size_t i = *begin; i < lane->n; i++)
        if (range_value(plan, lane, plan->to_is, i, contact_point) > to) {
            *end = i;
            break;
        }
}

/* Attraction that a model without adhesion cannot describe: [begin, end) from where the force
 * leaves zero downwards to where it is back at zero. Empty when nothing stands out of the noise. */
void attractive_samples(const struct lane *lane, size_t *begin, size_t *end)
{
    double lowest;
    size_t at = lane_lowest(lane, &lowest);
    *begin = *end = 0;
    if (at == lane->n || !(-lowest > 5.0 * lane->noise) || !(-lowest > 2e-3 * lane->peak_d)) return;
    *begin = at;
    double leaves = -fmax(lane->noise, -0.02 * lowest); /* noise can be nil, rounding never is */
    while (*begin > 0 && lane->flat[*begin - 1] < leaves)
        --*begin;
    *end = at;
    while (*end < lane->n && lane->flat[*end] < 0)
        ++*end;
}

LANES_CLONES static void take(const struct lane *lane, size_t from, size_t to, struct fit_set *set)
{
    double *z = set->z + set->n, *y = set->y + set->n, *indent = set->indent + set->n;
    if (to <= from) return;
    for (size_t i = 0; i < to - from; i++) {
        z[i] = lane->z[from + i];
        y[i] = lane->flat[from + i];
        indent[i] = z[i] - y[i];
    }
    if (from == 0) set->early = to;
    set->skipped = from - set->n;
    set->n += to - from;
}

/* Samples next to the jump off contact stay out: a real lever leaves early, and the slope of the
 * model is without bound there. */
enum { JUMP_GUARD = 2 };

/* Whose branch ends at a smaller share of the pull-off force than lane_pull_off reckons with: the
 * samples from there on, as far as they stand out of the noise. What lies in it stays out: no more
 * than there are from the minimum to there (`guard`). */
static size_t first_held(const struct curve_plan *plan, const struct lane *lane, size_t *guard)
{
    size_t off = lane_pull_off(lane), at;
    double lowest, share = plan->model->end_share, noise = 4.0 * lane->noise;
    *guard = JUMP_GUARD;
    if (share == 0 || off == lane->n) return off;
    at = lane_lowest(lane, &lowest);
    double level = fmin(0.5 * share * lowest, -noise);
    while (off > 0 && lane->flat[off - 1] < level)
        off--;
    if (-share * lowest < noise) *guard += at - off;
    return off;
}

void fit_set_choose(const struct curve_plan *plan, struct curve_work *w, const struct lane *lane,
                    double contact_point, struct fit_set *set)
{
    size_t begin, end, low, high;
    *set = (struct fit_set){
        .z = w->fz, .y = w->fy, .indent = w->indent, .end_z = lane->peak_z, .end_d = lane->peak_d};
    if (plan->model->adhesive) {
        size_t guard, off = first_held(plan, lane, &guard), outer = off > 0 ? off - 1 : 0;
        set->pull_m = 0;
        for (size_t i = off; i < lane->n; i++)
            set->pull_m = fmax(set->pull_m, -lane->flat[i]);
        set->z_low = off < lane->n ? lane->z[off] : lane->z[0];
        set->off_step = set->z_low - lane->z[outer];
        set->off_z = set->z_low - 0.5 * set->off_step;
        range_samples(plan, lane, off, contact_point, &begin, &end);
        if (begin < off + JUMP_GUARD) begin = off + JUMP_GUARD;
        take(lane, 0, off > guard ? off - guard : 0, set);
        set->contact = set->likely = set->gap = set->n;
        if (begin < end) take(lane, begin, end, set);
    } else {
        attractive_samples(lane, &low, &high);
        size_t contact = high > 0 ? high : lane->baseline_end;
        range_samples(plan, lane, contact, contact_point, &begin, &end);
        take(lane, 0, high > 0 ? low : contact, set);
        if (begin > (high > 0 ? low : contact)) set->gap = set->n;
        set->likely = set->n;
        if (begin < end) take(lane, begin, end, set);
        set->z_low = lane->z[lane->baseline_end < lane->n ? lane->baseline_end / 2 : 0];
    }
    set->ascends = lane->ascends;
    if (set->n > 1) {
        set->z_scale = set->end_z - set->z[0];
        if (end < lane->n && end > 0) { /* the range ends before the turning point */
            set->end_z = lane->z[end - 1];
            set->end_d = mean_of_three(lane, end - 1);
        }
    }
}

void fit_set_shallow(const struct lane *lane, const struct fit_set *set, double contact_point,
                     double depth_m, struct fit_set *out)
{
    size_t k = set->likely, i = 0;
    *out = *set;
    for (; k < set->n; k++) {
        i = fit_set_sample(set, k);
        if (lane->z[i] - mean_of_three(lane, i) - contact_point > depth_m) break;
    }
    if (k == set->n || i == 0) return;
    out->n = k;
    out->end_z = lane->z[i - 1];
    out->end_d = mean_of_three(lane, i - 1);
}

/* Blocks of samples [from, to) of the set, whole ones from the deep end. */
static void average(const struct fit_set *set, size_t from, size_t to, size_t block,
                    struct fit_set *out)
{
    double per = 1.0 / (double)block;
    for (size_t i = from + (to - from) % block; i < to; i += block) {
        double z = 0, y = 0;
        for (size_t k = i; k < i + block; k++)
            z += set->z[k], y += set->y[k];
        out->z[out->n] = z * per;
        out->y[out->n] = y * per;
        out->indent[out->n++] = (z - y) * per;
    }
}

size_t fit_set_blocks(const struct curve_plan *plan, struct curve_work *w,
                      const struct fit_set *set, struct fit_set *blocks)
{
    enum { IN_CONTACT = 32 };
    size_t block = (set->n - set->likely) / IN_CONTACT;
    *blocks = *set;
    if (block < 2) return 1;
    blocks->z = w->block_z, blocks->y = w->block_y, blocks->indent = w->block_indent;
    blocks->n = blocks->contact = 0;
    average(set, 0, set->likely, block, blocks);
    if (plan->model->adhesive) blocks->contact = blocks->n;
    blocks->likely = blocks->n;
    blocks->gap = 0;
    average(set, set->likely, set->n, block, blocks);
    return block;
}
