/* The order of the steps, the reasons to doubt, and the trace for people. */
#include "curve/brush_maps.h"
#include "curve/curve_private.h"
#include "curve/depth.h"
#include "curve/in_time.h"
#include "curve/lateral.h"
#include "curve/tethers.h"

#include <math.h>
#include <stdlib.h>

enum { ARRAYS = 2 * 5 + 18 };

size_t curve_work_bytes(size_t n_max)
{
    return (ARRAYS + 3) * n_max * sizeof(double) + fit_work_bytes(n_max) + time_work_bytes(n_max);
}

struct curve_work *curve_work_new(size_t n_max)
{
    struct curve_work *w = calloc(1, sizeof *w);
    if (!w) return NULL;
    if (n_max < SMALLEST_CURVE) n_max = SMALLEST_CURVE;
    w->n_max = n_max;
    w->block = calloc(ARRAYS * n_max, sizeof *w->block);
    w->sums[0] = calloc(3 * (n_max + 1), sizeof *w->sums[0]);
    w->in_fit = calloc(n_max, 1);
    w->fit = fit_work_new(n_max);
    w->time = time_work_new(n_max);
    if (!w->block || !w->sums[0] || !w->in_fit || !w->fit || !w->time) {
        curve_work_free(w);
        return NULL;
    }
    double **arrays[] = {&w->lane[0].z,
                         &w->lane[0].d,
                         &w->lane[0].flat,
                         &w->lane[0].force,
                         &w->lane[0].separation,
                         &w->lane[1].z,
                         &w->lane[1].d,
                         &w->lane[1].flat,
                         &w->lane[1].force,
                         &w->lane[1].separation,
                         &w->fz,
                         &w->fy,
                         &w->ones,
                         &w->ramp,
                         &w->pull,
                         &w->reduced,
                         &w->columns.value,
                         &w->columns.slope,
                         &w->columns.by_lnkappa,
                         &w->columns.by_extra,
                         &w->indent,
                         &w->model_values,
                         &w->model,
                         &w->block_z,
                         &w->block_y,
                         &w->block_indent};
    for (size_t i = 0; i < sizeof arrays / sizeof *arrays; i++)
        *arrays[i] = w->block + i * n_max;
    w->scratch = w->block + (ARRAYS - 2) * n_max;
    for (int i = 1; i < 3; i++)
        w->sums[i] = w->sums[i - 1] + n_max + 1;
    return w;
}

void curve_work_free(struct curve_work *w)
{
    if (!w) return;
    free(w->block);
    free(w->sums[0]);
    free(w->in_fit);
    fit_work_free(w->fit);
    time_work_free(w->time);
    free(w);
}

/* Samples to a lane with baseline and force; reasons why that failed. */
static uint64_t prepare(const struct curve_plan *plan, const struct raw_curve *raw,
                        enum segment_id seg, struct curve_work *w, struct lane *lane)
{
    const struct curve_hint *hint = plan->hint;
    size_t known = hint ? hint->baseline_end[seg == SEG_RETRACT] : 0;
    uint64_t flags = 0;
    lane_fill(plan, raw, seg, lane);
    lane->baseline_end = 0;
    if (lane->missing) flags |= FLAG(samples_missing);
    if (lane->n < SMALLEST_CURVE ||
        (double)lane->missing > plan->limit.missing * (double)lane->total)
        return flags | FLAG(too_few_samples);
    if (lane->runs_back) return flags | FLAG(z_not_monotonic);
    if (known > lane->n) known = 0;
    if (known && hint->no_spikes) {
        lane_take_baseline(plan, known, lane);
        lane_find_turning_point(lane);
        return flags;
    }
    lane_find_rough_noise(lane, w->reduced);
    if (lane_drop_spikes(lane, seg == SEG_RETRACT, w->reduced)) {
        flags |= FLAG(spikes);
        lane_find_rough_noise(lane, w->reduced);
    }
    if (known && known <= lane->n)
        lane_take_baseline(plan, known, lane);
    else
        lane_find_baseline(plan, lane);
    lane_find_turning_point(lane);
    return flags;
}

static bool above(double value, double limit)
{
    return isfinite(limit) && value > limit;
}

/* Is there a contact to fit? */
static uint64_t judge_baseline(const struct curve_plan *plan, const struct lane *lane)
{
    uint64_t flags = 0;
    double k = plan->setup.spring_n_per_m, peak = k * lane->peak_d;
    if (lane->baseline_end >= lane->n || !(lane->peak_d > 5.0 * lane->noise))
        return FLAG(no_contact);
    if ((double)lane->baseline_end < plan->shortest_baseline * (double)lane->n)
        flags |= FLAG(no_baseline);
    if (above(k * lane->noise, plan->limit.force_noise_n)) flags |= FLAG(noisy_baseline);
    if (above(fabs(lane->slope), plan->limit.baseline_slope)) flags |= FLAG(sloped_baseline);
    if (isfinite(plan->limit.peak_force_n) && peak < plan->limit.peak_force_n)
        flags |= FLAG(peak_too_low);
    return flags;
}

/* Does the model hold here, and is the number worth something? */
static uint64_t judge_fit(const struct curve_plan *plan, const struct lane *lane,
                          const struct contact_fit *fit, const struct pixel_result *r)
{
    uint64_t flags = 0;
    double depth = r->map[MAP_indentation].value, modulus = r->map[MAP_modulus].value;
    double ratio = r->map[MAP_stiffness_ratio].value,
           peak = plan->setup.spring_n_per_m * lane->peak_d;
    if ((double)lane->baseline_end < plan->shortest_baseline * (double)lane->n)
        flags |= FLAG(no_baseline);
    double u_depth = r->map[MAP_indentation].error;
    if (!isfinite(u_depth)) flags |= FLAG(fit_failed);
    if (depth <= plan->limit.depth_to_uncertainty * u_depth) flags |= FLAG(too_shallow);
    if (above(r->map[MAP_modulus].error / modulus, plan->limit.modulus_error))
        flags |= FLAG(uncertain);
    if (plan->model->paraboloid &&
        above(fmin(depth, fit->deepest) / plan->setup.radius_m, plan->limit.depth_to_radius))
        flags |= FLAG(outside_model);
    if (!plan->model->adhesive && plan->segment == SEG_APPROACH &&
        r->map[MAP_snap_in_force].value > plan->limit.snap_in * peak &&
        r->map[MAP_snap_in_force].value > 5.0 * r->map[MAP_force_noise].value)
        flags |= FLAG(attractive);
    if (above(ratio, plan->limit.stiffness_high) || ratio < plan->limit.stiffness_low)
        flags |= FLAG(stiffness_ratio);
    if (plan->force_space && above(ratio, plan->limit.stiffness_force_space))
        flags |= FLAG(biased_fit);
    double off = fabs(r->map[MAP_modulus_depth_ratio].value - 1.0);
    if (above(off, plan->limit.depth_change) && off > 4.0 * r->map[MAP_modulus_depth_ratio].error)
        flags |= FLAG(depth_dependent);
    if (above(fit->chi_square, plan->limit.reduced_chi_square) ||
        above(-fit->runs, plan->limit.residual_runs))
        flags |= FLAG(residual_structure);
    double chi = r->map[MAP_layer_ratio].value;
    if (plan->model->layer_ratio && above(chi, plan->limit.layer_ratio)) flags |= FLAG(too_thin);
    if (!plan->model->layer_ratio && above(chi, plan->limit.layer_ratio_halfspace))
        flags |= FLAG(substrate_felt);
    if (above(r->map[MAP_mean_pressure].value, plan->limit.pressure_pa))
        flags |= FLAG(high_pressure);
    if (above(r->map[MAP_contact_to_pitch].value, plan->limit.contact_to_pitch))
        flags |= FLAG(pixels_overlap);
    if (above(plan->setup.spring_n_per_m * fit->residual_m, plan->limit.residual * peak))
        flags |= FLAG(large_residual);
    if (above(modulus, plan->limit.modulus_high_pa) || modulus < plan->limit.modulus_low_pa ||
        !(modulus > 0) || !isfinite(modulus))
        flags |= FLAG(implausible);
    return flags;
}

static void trace_lane(const struct lane *lane, struct segment_trace *t)
{
    for (size_t i = 0; lane->baseline_end && i < lane->n; i++)
        lane->separation[i] = lane_separation(lane, i);
    *t = (struct segment_trace){
        .n = lane->baseline_end ? lane->n : 0,
        .z_m = lane->z,
        .deflection_m = lane->d,
        .force_n = lane->force,
        .separation_m = lane->separation,
        .offset_m = lane->offset,
        .slope = lane->slope,
        .z_ref_m = lane->z_ref,
        .off_offset_m = lane->off_offset,
        .off_slope = lane->off_slope,
        .baseline_end = lane->baseline_end,
        .noise_m = lane->noise,
    };
}

static void fill_trace(const struct curve_plan *plan, struct curve_work *w,
                       const struct contact_fit *fit, struct curve_trace *trace)
{
    *trace = (struct curve_trace){.fitted = plan->segment};
    trace_lane(&w->lane[0], &trace->seg[SEG_APPROACH]);
    trace_lane(&w->lane[1], &trace->seg[SEG_RETRACT]);
    trace->fit_deflection_m = w->model;
    trace->in_fit = w->in_fit;
    trace->contact_point_m = fit->contact_point;
    trace->sample = fit->sample;
}

/* Separation needs a zero: the fitted contact point, else the turning point of the approach. */
static void set_zeros(struct curve_work *w, const struct contact_fit *fit)
{
    double zero = fit->contact_point;
    for (int i = 0; i < 2; i++) {
        struct lane *lane = &w->lane[i];
        if (!lane->baseline_end) continue;
        if (!isfinite(zero)) zero = lane->peak_z - lane->peak_d;
        lane->zero = zero;
    }
}

/* A layer model cannot do without the thickness of this pixel. */
static uint64_t judge_thickness(const struct curve_plan *plan)
{
    bool known = plan->setup.thickness_m > 0 || plan->substrate.n > 0;
    return plan->model->layer_ratio && !known ? FLAG(no_thickness) : 0;
}

/* @param plan  this curve's own: its thickness may be found here */
static void analyse(struct curve_plan *plan, const struct raw_curve *raw, struct curve_work *work,
                    struct contact_fit *fit, struct pixel_result *out)
{
    enum segment_id other = plan->segment == SEG_APPROACH ? SEG_RETRACT : SEG_APPROACH;
    struct lane *lane = &work->lane[plan->segment == SEG_RETRACT];
    struct lane *second = &work->lane[other == SEG_RETRACT];
    out->flags |= prepare(plan, raw, plan->segment, work, lane);
    if (lane->baseline_end) {
        out->flags |= judge_baseline(plan, lane) | judge_thickness(plan);
        if (!(out->flags & (FLAG(no_contact) | FLAG(no_thickness)))) {
            if (plan->substrate.n > 0)
                thickness_fit(plan, raw, work, lane, fit, &out->flags);
            else
                contact_fit_run(plan, work, lane, fit, &out->flags);
        }
    }
    if (raw->seg[plan->segment].clipped) out->flags |= FLAG(saturated);
    if (raw->seg[other].n) {
        uint64_t rest = prepare(plan, raw, other, work, second);
        if (rest & FLAG(samples_missing)) out->flags |= FLAG(other_samples_missing);
        out->flags |= rest & FLAG(spikes);
    }
    if (raw->seg[other].clipped) { /* what it says of force is not true */
        out->flags |= FLAG(other_saturated);
        second->baseline_end = 0;
    }
    set_zeros(work, fit);
    if (!raw->seg[SEG_RETRACT].n || !work->lane[1].baseline_end) out->flags |= FLAG(no_retract);
    measure_maps(plan, work, fit, out);
    measure_unloading(plan, raw, work, out);
    brush_measure(plan, lane, fit, out);
    depth_measure(plan, work, lane, fit, out);
    tethers_measure(plan, work, fit, out);
    lateral_measure(plan, raw, work, out);
    measure_in_time(plan, raw, work, fit, out);
    if (fit->done) {
        out->flags |= judge_fit(plan, lane, fit, out);
        if (above(fabs(lane->slope), plan->limit.baseline_slope))
            out->flags |= FLAG(sloped_baseline);
    }
}

/* The plan with what belongs to this pixel alone. */
static struct curve_plan plan_here(const struct curve_plan *plan, const struct raw_curve *raw,
                                   const struct curve_hint *hint)
{
    struct curve_plan own = *plan;
    own.hint = hint;
    if (plan->thickness_from_substrate)
        own.setup.thickness_m = NAN;
    else if (plan->lever.thickness_by_pixel)
        own.setup.thickness_m = raw->thickness_m > 0 ? raw->thickness_m : NAN;
    if (!plan->thickness_from_substrate) own.substrate.n = 0;
    return own;
}

void curve_analyse(const struct curve_plan *plan, const struct raw_curve *raw,
                   struct curve_work *work, struct pixel_result *out, struct curve_trace *trace)
{
    curve_analyse_from(plan, raw, NULL, work, out, trace);
}

void curve_analyse_from(const struct curve_plan *common, const struct raw_curve *raw,
                        const struct curve_hint *hint, struct curve_work *work,
                        struct pixel_result *out, struct curve_trace *trace)
{
    struct curve_plan own = plan_here(common, raw, hint), *plan = &own;
    struct contact_fit fit = {.sample = {NAN, NAN, NAN}, .contact_point = NAN};
    result_clear(out);
    for (int i = 0; i < 2; i++)
        work->lane[i].n = work->lane[i].baseline_end = work->lane[i].found_end = 0;
    work->tracing = trace != NULL;
    for (size_t i = 0; trace && i < work->n_max; i++)
        work->model[i] = NAN, work->in_fit[i] = 0;
    if (raw->absent)
        out->flags |= FLAG(absent);
    else
        analyse(plan, raw, work, &fit, out);
    out->state = (uint8_t)result_state(out->flags);
    if (trace) fill_trace(plan, work, &fit, trace);
}

size_t curve_off_surface(const struct curve_plan *plan, const struct raw_curve *raw,
                         struct curve_work *work, const double **rest)
{
    struct lane *lane = &work->lane[plan->segment == SEG_RETRACT];
    if (raw->absent || !raw->seg[plan->segment].n) return 0;
    uint64_t flags = prepare(plan, raw, plan->segment, work, lane);
    *rest = lane->flat;
    return lane->baseline_end && !(flags & FLAG(samples_missing)) ? lane->quiet_end : 0;
}
