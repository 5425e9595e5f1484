/* What the times of a curve say without a viscoelastic fit: drag, loss over a cycle, dwell. */
#include "curve/in_time.h"
#include "curve/passes.h"

#include <math.h>

static void set(struct pixel_result *out, enum map_id id, double value, double error)
{
    out->map[id] = (struct measured){isfinite(value) ? value : NAN, isfinite(error) ? error : NAN};
}

static double speed_of(const struct raw_segment *s, const struct lane *lane)
{
    if (!(s->interval_s > 0) || s->n < 2 || lane->n < 2 || !lane->baseline_end) return NAN;
    /* with samples left out the lane's ends are still near the segment's */
    return (lane->z[lane->n - 1] - lane->z[0]) / ((double)(s->n - 1) * s->interval_s);
}

/* F = b v, up on approach and down on retract: the baselines part by b (v_a + v_r). */
static void measure_drag(double v_go, double v_back, struct pixel_result *out)
{
    const struct measured *gap = &out->map[MAP_baseline_gap];
    set(out, MAP_drag_coefficient, gap->value / (v_go + v_back), gap->error / (v_go + v_back));
}

enum { TRIANGLE = 200 };

/* Share of the work of the approach that a power law loses when the indentation is a triangle whose
 * sides have speeds 1 and `back`; no scale of length, time or modulus is left in it. */
static double share_lost(struct time_work *t, double power, double back, double exponent)
{
    struct ting_solid solid = {
        .law = TING_POWER_LAW, .modulus = 1, .exponent = exponent, .reference = 1};
    struct ting_tip tip = {power, 1, 0};
    struct ting_path path = {.z_m = t->z,
                             .n = 2 * TRIANGLE + 1,
                             .parts = 2,
                             .withdraws = true,
                             .first = {0, TRIANGLE + 1},
                             .step_s = {1.0 / TRIANGLE, 1.0 / TRIANGLE / back},
                             .gap_s = {0, 1.0 / TRIANGLE / back}};
    struct ting_end end;
    double go = 0, come = 0;
    for (size_t i = 0; i < path.n; i++)
        t->z[i] = (double)(i <= TRIANGLE ? i : 2 * TRIANGLE - i) / TRIANGLE;
    ting_force(&solid, &tip, &path, 0.0, t->ting, t->force, NULL, &end);
    for (size_t i = 1; i < path.n; i++)
        *(i <= TRIANGLE ? &go : &come) += t->force[i - 1] + t->force[i];
    return 1.0 - come / go;
}

/* The exponent at which that share is lost, and its slope by the share: regula falsi with halving
 * of the end that stays (M. Dowell, P. Jarratt, BIT 11 (1971) 168). A share of the noise below zero
 * is followed along the line from the origin. */
static double exponent_for(struct time_work *t, double power, double back, double share,
                           double *slope)
{
    const double least = 1e-3, most = 0.95;
    double low = least, high = most, f_low = share_lost(t, power, back, low), f_high;
    if (share <= f_low) {
        *slope = low / f_low;
        return share * *slope;
    }
    f_high = share_lost(t, power, back, high) - share;
    *slope = NAN;
    if (f_high < 0) return NAN;
    f_low -= share;
    double x = low;
    for (int i = 0, side = 0; i < 40 && high - low > 1e-7; i++) {
        x = (low * f_high - high * f_low) / (f_high - f_low);
        double f = share_lost(t, power, back, x) - share;
        if (f < 0) {
            low = x, f_low = f;
            if (side == -1) f_high *= 0.5;
            side = -1;
        } else {
            high = x, f_high = f;
            if (side == 1) f_low *= 0.5;
            side = 1;
        }
        if (fabs(f) < 1e-7) break;
    }
    double step = 0.01 * fmin(x, 1 - x);
    *slope = 2.0 * step /
             (share_lost(t, power, back, x + step) - share_lost(t, power, back, x - step));
    return x;
}

static double area_error(const struct curve_plan *plan, const struct lane *lane, double low,
                         double high)
{
    double span = high - low;
    double cells = (double)lane->n * span / (lane->z[lane->n - 1] - lane->z[0]);
    return plan->setup.spring_n_per_m * span *
           sqrt(lane->noise * lane->noise / cells +
                pow(lane_baseline_error(lane, 0.5 * (low + high)), 2));
}

/* The lever gives back what it took, so that areas over z less its energy are work on the sample.
 */
static void measure_loss(const struct curve_plan *plan, struct curve_work *w, double contact_m,
                         double v_go, double v_back, struct pixel_result *out)
{
    const struct lane *go = &w->lane[0], *back = &w->lane[1];
    double high = fmin(go->z[go->n - 1], back->z[back->n - 1]);
    double low = fmax(contact_m - 0.05 * (high - contact_m), fmax(go->z[0], back->z[0]));
    double lever = 0.5 * plan->setup.spring_n_per_m * go->peak_d * go->peak_d, slope = NAN;
    double in = pass_area(go->z, go->force, go->n, low, high) - lever;
    double back_out = pass_area(back->z, back->force, back->n, low, high) - lever;
    if (!(in > 0)) return;
    double share = 1.0 - back_out / in;
    double u = hypot(area_error(plan, back, low, high),
                     back_out / in * area_error(plan, go, low, high)) /
               in;
    set(out, MAP_hysteresis, share, u);
    double exponent = exponent_for(w->time, plan->time.power, v_back / v_go, share, &slope);
    double tangent = tan(0.5 * M_PI * exponent);
    set(out, MAP_loss_tangent, tangent, 0.5 * M_PI * (1.0 + tangent * tangent) * fabs(slope) * u);
}

static double mean_between(const double *v, size_t from, size_t to, size_t *kept)
{
    double sum = 0;
    *kept = 0;
    for (size_t i = from; i < to; i++)
        if (isfinite(v[i])) sum += v[i], ++*kept;
    return sum / (double)*kept;
}

static void measure_dwell(const struct curve_plan *plan, const struct raw_curve *raw,
                          struct curve_work *w, struct pixel_result *out)
{
    const struct raw_segment *s = &raw->seg[SEG_DWELL];
    const struct lane *lane = &w->lane[0];
    double k = plan->setup.spring_n_per_m, *d = w->time->segment, mean[2], z[2], squares = 0;
    size_t tenth = s->n / 10, kept;
    if (tenth < 2 || s->clipped || !lane->baseline_end) return;
    segment_deflections(plan, raw->stage[SEG_DWELL], s->signal, s->n, false, d);
    for (int i = 0; i < 2; i++) {
        size_t from = i ? s->n - tenth : 0;
        z[i] = mean_between(s->z_m, from, from + tenth, &kept);
        mean[i] = mean_between(d, from, from + tenth, &kept) - lane->slope * z[i];
        squares += 1.0 / (double)kept;
    }
    double change = mean[1] - mean[0];
    double u = hypot(lane->noise * sqrt(squares), (z[1] - z[0]) * sqrt(lane->baseline_var[2]));
    set(out, MAP_dwell_force_change, k * change, k * u);
    set(out, MAP_dwell_indentation_change, z[1] - z[0] - change, u);
}

static bool sticks(const struct curve_plan *plan, const struct pixel_result *out)
{
    double limit = plan->limit.loop_adhesion;
    return isfinite(limit) && out->map[MAP_adhesion].value > limit * out->map[MAP_peak_force].value;
}

void measure_in_time(const struct curve_plan *plan, const struct raw_curve *raw,
                     struct curve_work *w, const struct contact_fit *fit, struct pixel_result *out)
{
    double v_go = speed_of(&raw->seg[SEG_APPROACH], &w->lane[0]);
    double v_back = speed_of(&raw->seg[SEG_RETRACT], &w->lane[1]);
    if (plan->values_only) return;
    if (raw->seg[SEG_DWELL].n) measure_dwell(plan, raw, w, out);
    if (isfinite(v_go) && isfinite(v_back)) measure_drag(v_go, v_back, out);
    if (plan->time.loss_tangent && fit->done) {
        if (isfinite(v_go) && isfinite(v_back) && !raw->seg[SEG_DWELL].n)
            measure_loss(plan, w, fit->contact_point, v_go, v_back, out);
        else
            out->flags |= FLAG(no_times);
    }
    if (plan->time.law) viscoelastic_fit(plan, raw, w, fit, out);
    bool used = isfinite(out->map[MAP_loss_tangent].value) ||
                (plan->time.use[SEG_RETRACT] && isfinite(out->map[MAP_contact_time].value));
    if (used && sticks(plan, out)) out->flags |= FLAG(adhesive_loop);
}
