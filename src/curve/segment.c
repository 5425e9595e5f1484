/* A segment from the detector's numbers to a deflection curve with a known baseline. */
#include "curve/curve_private.h"
#include "curve/passes.h"

#include <math.h>

/* No light, no signal: NaN. */
static double quadrant_signal(const double *v)
{
    double sum = v[0] + v[1] + v[2] + v[3];
    return fabs(sum) > 0 ? (v[0] + v[1] - v[2] - v[3]) / sum : NAN;
}

static double stage_factor(const struct curve_plan *plan, enum signal_stage stage)
{
    const struct known *item = plan->lever.item;
    switch (stage) {
    case STAGE_DETECTOR:
        return item[LEVER_deflection_sensitivity].value;
    case STAGE_FORCE: /* as it was recorded: no tilt in it */
        return 1.0 / item[LEVER_spring_constant].value;
    case STAGE_QUADRANTS:
        return item[LEVER_quadrant_sensitivity].value;
    case STAGE_DEFLECTION:
        break;
    }
    return 1.0;
}

void segment_deflections(const struct curve_plan *plan, enum signal_stage stage,
                         const double *signal, size_t n, bool backward, double *out)
{
    double factor = stage_factor(plan, stage);
    if (stage == STAGE_QUADRANTS)
        for (size_t i = 0; i < n; i++)
            out[backward ? n - 1 - i : i] = factor * quadrant_signal(signal + 4 * i);
    else
        pass_scale(signal, n, factor, backward, out);
}

static void drop_missing(struct lane *lane)
{
    size_t kept = 0;
    for (size_t i = 0; i < lane->n; i++) {
        if (!isfinite(lane->d[i]) || !isfinite(lane->z[i])) continue;
        lane->z[kept] = lane->z[i];
        lane->d[kept++] = lane->d[i];
    }
    lane->missing = lane->n - kept;
    lane->n = kept;
}

/* z may jitter, but not go back by a twentieth of the ramp. */
static bool runs_back(const struct lane *lane)
{
    double top = lane->z[0], range = lane->z[lane->n - 1] - lane->z[0];
    if (!(range > 0)) return true;
    for (size_t i = 1; i < lane->n; i++) {
        if (lane->z[i] < top - 0.05 * range) return true;
        if (lane->z[i] > top) top = lane->z[i];
    }
    return false;
}

void lane_fill(const struct curve_plan *plan, const struct raw_curve *raw, enum segment_id seg,
               struct lane *lane)
{
    const struct raw_segment *from = &raw->seg[seg];
    bool backward = seg == SEG_RETRACT, whole;
    enum signal_stage stage = raw->stage[seg];
    lane->n = lane->total = from->n;
    lane->missing = 0;
    lane->ascends = lane->runs_back = false;
    if (from->n == 0) return;
    if (stage == STAGE_QUADRANTS) {
        segment_deflections(plan, stage, from->signal, from->n, backward, lane->d);
        whole = pass_take(lane->d, from->n, 1.0, false, lane->d, &lane->d_low, &lane->d_high);
    } else {
        whole = pass_take(from->signal, from->n, stage_factor(plan, stage), backward, lane->d,
                          &lane->d_low, &lane->d_high);
    }
    lane->ascends = pass_take_ascending(from->z_m, from->n, backward, lane->z);
    if (!whole || (!lane->ascends && !pass_all_finite(lane->z, lane->n))) {
        drop_missing(lane);
        if (lane->n > 0) pass_range(lane->d, lane->n, &lane->d_low, &lane->d_high);
    }
    if (lane->n > 0)
        lane->runs_back = lane->ascends ? !(lane->z[lane->n - 1] > lane->z[0]) : runs_back(lane);
}

static double beside_neighbours(const struct lane *lane, size_t i)
{
    return lane->d[i] - 0.5 * (lane->d[i - 1] + lane->d[i + 1]);
}

/* Scatter around sample i, from up to eight samples on either side but its neighbours. */
static double scatter_around(const struct lane *lane, size_t i)
{
    enum { WINDOW = 8 };
    double sum = 0, n = 0;
    size_t from = i > WINDOW ? i - WINDOW : 1, to = i + WINDOW + 1;
    for (size_t k = from; k <= to && k + 1 < lane->n; k++) {
        double d = beside_neighbours(lane, k);
        if (k + 1 < i || k > i + 1) sum += d * d, n++;
    }
    return n > 0 ? sqrt(sum / n) : 0.0;
}

static bool is_spike(const struct lane *lane, size_t i, double limit)
{
    double left = lane->d[i] - lane->d[i - 1], right = lane->d[i] - lane->d[i + 1];
    /* a pull-off is sharp too, but there the neighbours differ */
    return fabs(left + right) > 2.0 * limit && fabs(left - right) < 0.25 * fabs(left + right) &&
           fabs(left + right) > 2.0 * 8.0 * scatter_around(lane, i);
}

size_t lane_drop_spikes(struct lane *lane, bool retract, double *scratch)
{
    double limit = fmax(8.0 * lane->rough_noise, 1e-3 * (lane->d_high - lane->d_low));
    size_t n = 0, kept = 0;
    if (!(lane->largest_bend > 2.0 * limit)) return 0;
    for (size_t i = 0; (i = pass_first_bend(lane->d, i + 1, lane->n, 2.0 * limit)) + 1 < lane->n;)
        if (is_spike(lane, i, limit) && !(retract && lane->d[i] == lane->d_low))
            scratch[n++] = (double)i;
    if (n == 0) return 0;
    for (size_t i = 0, next = 0; i < lane->n; i++) {
        if (next < n && i == (size_t)scratch[next]) {
            next++;
            continue;
        }
        lane->z[kept] = lane->z[i];
        lane->d[kept++] = lane->d[i];
    }
    lane->n = kept;
    pass_range(lane->d, lane->n, &lane->d_low, &lane->d_high);
    return n;
}

/* Line through the last five samples, at the last one: less noise than one sample, and no lag. The
 * weights are kept, since the fit must know how its result hangs together with these samples. */
void lane_find_turning_point(struct lane *lane)
{
    size_t first = lane->n - PEAK_SAMPLES;
    struct line_sums sums = {.z0 = lane->z[first], .d0 = lane->d[first]};
    double squares = 0;
    for (size_t i = first; i < lane->n; i++)
        line_add(&sums, lane->z[i], lane->d[i]);
    struct line l = line_through(&sums, 1);
    lane->peak_z = lane->z[lane->n - 1];
    lane->peak_d = l.level + l.slope * (lane->peak_z - l.z_mean) - lane->offset -
                   lane->slope * (lane->peak_z - lane->z_ref);
    for (size_t i = 0; i < PEAK_SAMPLES; i++) {
        double dz = lane->z[first + i] - l.z_mean;
        /* z may stand still while the piezo turns: then the mean is all there is */
        double tilt = l.szz > 0 ? dz * (lane->peak_z - l.z_mean) / l.szz : 0.0;
        lane->peak_weight[i] = 1.0 / PEAK_SAMPLES + tilt;
        squares += lane->peak_weight[i] * lane->peak_weight[i];
    }
    lane->peak_sample_error = lane->noise * sqrt(squares);
    lane->peak_error = hypot(lane->peak_sample_error, lane_baseline_error(lane, lane->peak_z));
}

void lane_flatten(const struct curve_plan *plan, struct lane *lane)
{
    lane->lowest = pass_flatten(lane->z, lane->d, lane->n, lane->offset, lane->slope, lane->z_ref,
                                plan->setup.spring_n_per_m, lane->flat, lane->force);
    lane->lowest_at = pass_first_not_above(lane->flat, 0, lane->n, lane->lowest);
}

void lane_set_force(const struct curve_plan *plan, struct lane *lane)
{
    lane_flatten(plan, lane);
    lane_find_turning_point(lane);
}

size_t lane_lowest(const struct lane *lane, double *lowest)
{
    *lowest = lane->lowest < 0 ? lane->lowest : 0;
    return lane->lowest < 0 ? lane->lowest_at : lane->n;
}

size_t lane_pull_off(const struct lane *lane)
{
    double limit = 4.0 * lane->noise, lowest;
    size_t at = lane_lowest(lane, &lowest);
    if (!(-lowest > limit) || at == lane->n) return lane->n;
    /* The end of a JKR contact carries 5/9 of the pull-off force at fixed displacement: what is
     * below half of that, going out from the minimum, has come off. */
    return pass_only_below(lane->flat, 0, at, 5.0 / 18.0 * lowest);
}
