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

/* The line through the off-surface part alone: a contact model that does not fit bends the other.
 * Its error is that of a line through samples evenly spread. */
static double off_level(const struct lane *lane, double z)
{
    return lane->off_offset + lane->off_slope * (z - lane->z_ref);
}

static double off_error(const struct curve_plan *plan, const struct lane *lane, double z)
{
    double n = (double)lane->quiet_end, length = lane->z[lane->quiet_end - 1] - lane->z[0];
    double far = plan->baseline_order ? (z - lane->z_ref) / length : 0.0;
    return lane->noise * sqrt((1.0 + 12.0 * far * far) / n);
}

/* F = b v, up on approach and down on retract: the baselines part by b (v_a + v_r). */
static void measure_drag(const struct curve_plan *plan, const struct curve_work *w, double v_go,
                         double v_back, struct pixel_result *out)
{
    const struct lane *go = &w->lane[0], *back = &w->lane[1];
    double middle = 0.5 * (fmax(go->z[0], back->z[0]) +
                           fmin(go->z[go->quiet_end - 1], back->z[back->quiet_end - 1]));
    double per = plan->setup.spring_n_per_m / (v_go + v_back);
    set(out, MAP_drag_coefficient, per * (off_level(go, middle) - off_level(back, middle)),
        per * hypot(off_error(plan, go, middle), off_error(plan, back, middle)));
}

enum { TRIANGLE = 120 };

/* A cycle in units of its own: piezo displacement a triangle of height 1, 1 long on approach. */
struct cycle {
    double power;
    double back; /* speed of the retract over that of the approach */
    double
        bends; /* deflection over displacement beyond contact at the peak: what the lever takes */
};

/* Share of the work of the approach on the sample that a power law loses in a cycle. The modulus is
 * the one at which the lever bends as it does: force over depth^power hardly hangs on the modulus,
 * so that two rounds over the approach find it. */
static double share_lost(struct time_work *t, const struct cycle *c, double exponent)
{
    struct ting_solid solid = {
        .law = TING_POWER_LAW, .modulus = 1, .exponent = exponent, .reference = 1};
    double full = c->bends / pow(1.0 - c->bends, c->power), h = 1.0 / TRIANGLE;
    struct ting_tip tip = {c->power, full, 1};
    struct ting_path path = {.z_m = t->z,
                             .n = 2 * TRIANGLE + 1,
                             .parts = 2,
                             .withdraws = true,
                             .first = {0, TRIANGLE + 1},
                             .step_s = {h, h / c->back},
                             .gap_s = {0, h / c->back}};
    struct ting_path approach = {.z_m = t->z, .n = TRIANGLE + 1, .parts = 1, .step_s = {h}};
    struct ting_end end;
    double go = 0, come = 0;
    for (size_t i = 0; i < path.n; i++)
        t->z[i] = h * (double)(i <= TRIANGLE ? i : 2 * TRIANGLE - i);
    for (int round = 0; round < 2; round++) {
        ting_force(&solid, &tip, &approach, 0.0, t->ting, t->force, NULL, &end);
        double peak = t->force[TRIANGLE];
        tip.factor = full * tip.factor * pow(1.0 - peak, c->power) / peak;
    }
    ting_force(&solid, &tip, &path, 0.0, t->ting, t->force, NULL, &end);
    for (size_t i = 1; i < path.n; i++)
        *(i <= TRIANGLE ? &go : &come) += 0.5 * h * (t->force[i - 1] + t->force[i]);
    double lever = 0.5 * t->force[TRIANGLE] * t->force[TRIANGLE];
    return 1.0 - (come - lever) / (go - lever);
}

/* The exponent at which that share is lost, and its slope by the share: regula falsi with halving
 * of the end that stays (M. Dowell, P. Jarratt, BIT 11 (1971) 168). A share of the noise below zero
 * is followed along the line from the origin. */
static double exponent_for(struct time_work *t, const struct cycle *c, double share, double *slope)
{
    const double small = 0.01, most = 0.95, least = -0.5; /* below: no noise of a small share */
    double low = 0, high = 0.4, f_low = -share, f_high, x = 0, f = 0;
    *slope = small / share_lost(t, c, small); /* nothing is lost at zero */
    if (!isfinite(*slope)) return NAN;
    if (share <= small / *slope) return share * *slope > least ? share * *slope : (double)NAN;
    f_high = share_lost(t, c, high) - share;
    if (f_high < 0) {
        low = high, f_low = f_high;
        f_high = share_lost(t, c, high = most) - share;
    }
    if (f_high < 0) return *slope = NAN;
    for (int i = 0, side = 0; i < 40 && high - low > 1e-7; i++) {
        x = (low * f_high - high * f_low) / (f_high - f_low);
        f = share_lost(t, c, x) - share;
        if (f < 0) {
            low = x, f_low = f;
            if (side == -1) f_high *= 0.5;
            side = -1;
        } else {
            high = x, f_high = f;
            if (side == 1) f_low *= 0.5;
            side = 1;
        }
        if (fabs(f) < 1e-6) break;
    }
    double step = 0.01 * fmin(x, 1 - x);
    *slope = step / (share_lost(t, c, x + step) - share - f);
    return x;
}

/* Standard error of a sum of an area under the force and `energy` times the lever's energy at the
 * peak: the samples' noise, and level and slope of the baseline, which both hang on. */
static double error_of(const struct curve_plan *plan, const struct lane *lane, double low,
                       double high, double area, double energy, double peak)
{
    double n = (double)lane->quiet_end, length = lane->z[lane->quiet_end - 1] - lane->z[0];
    double span = high - low, cells = (double)lane->n * span / (lane->z[lane->n - 1] - lane->z[0]);
    double level = area * span + energy * peak;
    double slope = area * span * (0.5 * (low + high) - lane->z_ref) +
                   energy * peak * (high - lane->z_ref);
    if (!plan->baseline_order) slope = 0;
    double samples = area * area * span * span / cells;
    double turning = energy * peak * lane->peak_sample_error / lane->noise;
    return plan->setup.spring_n_per_m * lane->noise *
           sqrt(samples + turning * turning + level * level / n +
                12.0 * slope * slope / (n * length * length));
}

/* Area under the force over z. */
static double area_of(const struct curve_plan *plan, const struct lane *lane, double low,
                      double high)
{
    return plan->setup.spring_n_per_m * (pass_area(lane->z, lane->d, lane->n, low, high) -
                                         (high - low) * off_level(lane, 0.5 * (low + high)));
}

/* The lever gives back what it took, so that areas over z less its energy are work on the sample.
 */
static void measure_loss(const struct curve_plan *plan, struct curve_work *w, double contact_m,
                         double v_go, double v_back, struct pixel_result *out)
{
    const struct lane *go = &w->lane[0], *back = &w->lane[1];
    double top = go->z[go->n - 1], turn = back->z[back->n - 1], high = fmin(top, turn);
    double low = fmax(contact_m - 0.05 * (high - contact_m), fmax(go->z[0], back->z[0]));
    double k = plan->setup.spring_n_per_m, slope = NAN;
    double peak = go->peak_d + go->offset + go->slope * (top - go->z_ref) - off_level(go, top);
    double first = back->d[back->n - 1] - off_level(back, turn);
    double lever = 0.5 * k * peak * peak;
    double in = area_of(plan, go, low, top) - lever;
    double back_out = area_of(plan, back, low, turn) - lever;
    /* from the last sample of the approach to the first of the retract */
    back_out += 0.5 * k * (peak + first) * (top - turn);
    if (!(in > 0) || !(high > low)) {
        out->flags |= FLAG(relaxation_failed);
        return;
    }
    double share = 1.0 - back_out / in;
    /* d share = -d out/in + out d in/in^2, and the lever's energy is in both */
    double u = hypot(error_of(plan, back, low, turn, 1.0, 0.0, 0.0),
                     error_of(plan, go, low, top, 1.0 - share, share, peak)) /
               in;
    set(out, MAP_hysteresis, share, u);
    struct cycle cycle = {plan->time.power, v_back / v_go, peak / (top - contact_m)};
    double exponent = exponent_for(w->time, &cycle, share, &slope);
    double tangent = tan(0.5 * M_PI * exponent);
    if (!isfinite(tangent)) out->flags |= FLAG(relaxation_failed);
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
        mean[i] = mean_between(d, from, from + tenth, &kept) - lane->off_slope * z[i];
        squares += 1.0 / (double)kept;
    }
    double change = mean[1] - mean[0];
    double u = hypot(lane->noise * sqrt(squares), off_error(plan, lane, lane->z_ref + z[1] - z[0]));
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
    const bool *made = plan->extent.analysis;
    double v_go = speed_of(&raw->seg[SEG_APPROACH], &w->lane[0]);
    double v_back = speed_of(&raw->seg[SEG_RETRACT], &w->lane[1]);
    if (plan->values_only) return;
    if (made[ANALYSIS_in_time] && raw->seg[SEG_DWELL].n) measure_dwell(plan, raw, w, out);
    if (made[ANALYSIS_in_time] && isfinite(v_go) && isfinite(v_back))
        measure_drag(plan, w, v_go, v_back, out);
    if (plan->time.law) viscoelastic_fit(plan, raw, w, fit, out);
    /* an elastic model puts the contact point of what relaxes a little too low */
    double point = out->map[MAP_contact_point_in_time].value;
    if (made[ANALYSIS_cycle] && fit->done) {
        if (isfinite(v_go) && isfinite(v_back) && !raw->seg[SEG_DWELL].n)
            measure_loss(plan, w, isfinite(point) ? point : fit->contact_point, v_go, v_back, out);
        else
            out->flags |= FLAG(no_times);
    }
    bool used = isfinite(out->map[MAP_loss_tangent].value) ||
                (plan->time.use[SEG_RETRACT] && isfinite(out->map[MAP_contact_time].value));
    if (used && sticks(plan, out)) out->flags |= FLAG(adhesive_loop);
}
