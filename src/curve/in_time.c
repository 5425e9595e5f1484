/* A pixel's samples in the order of time. */
#include "curve/in_time.h"

#include <math.h>
#include <stdlib.h>

enum { ARRAYS = 9 };

static size_t samples_of_all(size_t n_max)
{
    size_t kept = n_max < TIME_MOST ? n_max : TIME_MOST;
    return SEG_COUNT * (kept < TIME_FEWEST ? TIME_FEWEST : kept);
}

size_t time_work_bytes(size_t n_max)
{
    size_t n = samples_of_all(n_max);
    return (ARRAYS * n + n_max) * sizeof(double) + n * sizeof(size_t) + ting_work_bytes(n) +
           fit_work_bytes(n);
}

struct time_work *time_work_new(size_t n_max)
{
    struct time_work *t = calloc(1, sizeof *t);
    if (!t) return NULL;
    size_t n = t->n_max = samples_of_all(n_max);
    t->block = calloc(ARRAYS * n + n_max, sizeof *t->block);
    t->index = calloc(n, sizeof *t->index);
    t->ting = ting_work_new(n);
    t->fit = fit_work_new(n);
    if (!t->block || !t->index || !t->ting || !t->fit) {
        time_work_free(t);
        return NULL;
    }
    double **arrays[] = {&t->z,         &t->d,     &t->y,     &t->column[0], &t->column[1],
                         &t->column[2], &t->force, &t->other, &t->rest};
    for (size_t i = 0; i < ARRAYS; i++)
        *arrays[i] = t->block + i * n;
    t->segment = t->block + ARRAYS * n;
    return t;
}

void time_work_free(struct time_work *t)
{
    if (!t) return;
    free(t->block);
    free(t->index);
    ting_work_free(t->ting);
    fit_work_free(t->fit);
    free(t);
}

/* Is a sample left in its lane? Lanes hold some of the samples, in the same order (a retract
 * backward). *at: the next one of the lane, from 0 on. */
static bool in_lane(const struct lane *lane, bool backward, size_t *at, double z, double d)
{
    if (*at >= lane->n) return false;
    size_t i = backward ? lane->n - 1 - *at : *at;
    if (lane->z[i] != z || lane->d[i] != d) return false;
    ++*at;
    return true;
}

/* Deflections in the order of time into t->segment, NaN where one is missing or was left out. */
static void segment_in_time(const struct curve_plan *plan, const struct raw_curve *raw,
                            const struct curve_work *w, enum segment_id id, double *out)
{
    const struct raw_segment *s = &raw->seg[id];
    size_t at = 0;
    segment_deflections(plan, raw->stage[id], s->signal, s->n, false, out);
    if (id == SEG_DWELL) return;
    const struct lane *lane = &w->lane[id == SEG_RETRACT];
    for (size_t i = 0; i < s->n; i++)
        if (!in_lane(lane, id == SEG_RETRACT, &at, s->z_m[i], out[i])) out[i] = NAN;
}

static double mean_of(const double *v, size_t n, size_t fewest)
{
    double sum = 0;
    size_t kept = 0;
    for (size_t i = 0; i < n; i++)
        if (isfinite(v[i])) sum += v[i], kept++;
    return kept >= fewest ? sum / (double)kept : NAN;
}

/* Blocks of a segment: an approach ends with a whole one, the others begin with one. */
static void add_blocks(const struct raw_segment *s, const double *d, size_t block, bool at_end,
                       double *z, double *mean, size_t n)
{
    size_t first = at_end ? s->n - n * block : 0;
    for (size_t i = 0; i < n; i++) {
        z[i] = mean_of(s->z_m + first + i * block, block, 1);
        mean[i] = mean_of(d + first + i * block, block, (block + 1) / 2);
    }
}

/* z that is missing is taken from the line between its neighbours. */
static bool fill_z(double *z, size_t n)
{
    size_t last = n;
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(z[i])) continue;
        for (size_t k = last == n ? 0 : last + 1; k < i; k++)
            z[k] = last == n ? z[i]
                             : z[last] + (z[i] - z[last]) * (double)(k - last) / (double)(i - last);
        last = i;
    }
    for (size_t k = last + 1; last < n && k < n; k++)
        z[k] = z[last];
    return last < n;
}

static bool usable(const struct raw_curve *raw, const struct curve_work *w, enum segment_id id)
{
    const struct raw_segment *s = &raw->seg[id];
    if (!(s->interval_s > 0) || s->clipped) return false;
    if (id == SEG_DWELL) return true;
    const struct lane *lane = &w->lane[id == SEG_RETRACT];
    return s->n >= SMALLEST_CURVE && lane->baseline_end > 0 && !lane->runs_back;
}

bool time_line_make(const struct curve_plan *plan, const struct raw_curve *raw,
                    const struct curve_work *w, enum segment_id last, size_t most,
                    struct time_line *out)
{
    struct time_work *t = w->time;
    size_t longest = 0, block, left = 0;
    double before = 0, waited = 0;
    *out = (struct time_line){.path = {.z_m = t->z}, .even = true};
    for (enum segment_id id = SEG_APPROACH; id <= last; id++)
        if (raw->seg[id].n > longest) longest = raw->seg[id].n;
    block = (longest + most - 1) / most;
    for (enum segment_id id = SEG_APPROACH; id <= last; id++) {
        const struct raw_segment *s = &raw->seg[id];
        size_t n = block ? s->n / block : 0, at = out->path.n;
        out->from[id] = out->to[id] = at;
        if (s->n == 0 && id != SEG_APPROACH && id != last) continue;
        if (!usable(raw, w, id)) return false;
        if (n < 2 && id == SEG_DWELL && id != last) { /* time passes, samples are too few */
            waited = (double)s->n * s->interval_s;
            continue;
        }
        if (n < 2) return false;
        segment_in_time(plan, raw, w, id, t->segment);
        add_blocks(s, t->segment, block, id == SEG_APPROACH, t->z + at, t->d + at, n);
        if (!fill_z(t->z + at, n)) return false;
        int part = out->path.parts++;
        double half = 0.5 * (double)(block - 1);
        out->path.first[part] = at;
        out->path.step_s[part] = (double)block * s->interval_s;
        out->path.gap_s[part] = before * (half + (double)left) + waited +
                                s->interval_s * (half + 1.0);
        out->even = out->even &&
                    (part == 0 || (s->interval_s == before && left == 0 && !(waited > 0)));
        before = s->interval_s;
        left = id == SEG_APPROACH ? 0 : s->n - n * block;
        out->speed[id] = (t->z[at + n - 1] - t->z[at]) / ((double)(n - 1) * out->path.step_s[part]);
        out->to[id] = out->path.n = at + n;
        out->path.withdraws = id == SEG_RETRACT;
    }
    return true;
}

struct ting_tip ting_tip_of(const struct curve_plan *plan)
{
    struct contact_sample one = {1.0, 0, 0};
    struct contact_state state;
    struct ting_tip tip = {0, 0, 1.0 / plan->setup.spring_n_per_m};
    double nu = plan->poisson_ratio;
    tip.power = plan->time.power;
    if (!(tip.power > 0)) return tip;
    plan->model->state(&plan->setup, &one, 1.0, &state); /* a power law: c is its value at 1 m */
    tip.factor = state.force_n / (1.0 - nu * nu);
    return tip;
}
