/* From lanes and fit to maps. Definitions: the table in result.h. */
#include "curve/curve_private.h"
#include "curve/passes.h"

#include <math.h>
#include <string.h>

static void set(struct pixel_result *out, enum map_id id, double value, double error)
{
    out->map[id] = (struct measured){isfinite(value) ? value : NAN, isfinite(error) ? error : NAN};
}

/* --- what the fit says --- */

struct contact_numbers {
    double stiffness, radius, pressure;
};

enum { INPUTS = 5 };
static const int inputs[INPUTS] = {COV_LN_MODULUS, COV_DEPTH, COV_LN_WORK, COV_EXTRA,
                                   COV_THICKNESS};

/* at: ln E*, depth, ln w, extra, thickness */
static struct contact_numbers numbers_at(const struct curve_plan *plan, const double at[INPUTS])
{
    struct contact_state state;
    struct contact_sample sample = {exp(at[0]), exp(at[2]), at[3]};
    struct contact_setup setup = plan->setup;
    setup.thickness_m = at[4];
    plan->model->state(&setup, &sample, at[1], &state);
    double area = M_PI * state.contact_radius_m * state.contact_radius_m;
    return (struct contact_numbers){state.stiffness_n_per_m, state.contact_radius_m,
                                    area > 0 ? state.force_n / area : NAN};
}

static bool is_input(const struct curve_plan *plan, int which)
{
    if (which == COV_LN_WORK) return plan->model->adhesive;
    if (which == COV_THICKNESS) return plan->thickness_from_substrate;
    return which != COV_EXTRA || plan->free_extra;
}

static bool is_length(int which)
{
    return which == COV_DEPTH || which == COV_THICKNESS;
}

/* First-order propagation through central differences. */
static void set_contact_numbers(const struct curve_plan *plan, double depth,
                                const struct contact_fit *fit, struct pixel_result *out)
{
    double at[INPUTS] = {log(fit->sample.reduced_modulus_pa), depth, log(fit->sample.work_j_per_m2),
                         fit->sample.extra, plan->setup.thickness_m};
    double grad[3][INPUTS] = {{0}}, error[3];
    struct contact_numbers c = numbers_at(plan, at);
    for (int i = 0; i < INPUTS; i++) {
        if (!is_input(plan, inputs[i])) continue;
        /* a tenth of a standard error, but enough above rounding */
        double step = 0.1 * sqrt(fit->cov[inputs[i]][inputs[i]]) +
                      (is_length(inputs[i]) ? 1e-15 : 1e-6);
        double up[INPUTS], down[INPUTS];
        memcpy(up, at, sizeof at);
        memcpy(down, at, sizeof at);
        up[i] += step, down[i] -= step;
        struct contact_numbers a = numbers_at(plan, up), b = numbers_at(plan, down);
        grad[0][i] = (a.stiffness - b.stiffness) / (2 * step);
        grad[1][i] = (a.radius - b.radius) / (2 * step);
        grad[2][i] = (a.pressure - b.pressure) / (2 * step);
    }
    for (int q = 0; q < 3; q++) {
        double sum = 0;
        for (int i = 0; i < INPUTS; i++)
            for (int j = 0; j < INPUTS; j++)
                if (grad[q][i] != 0 && grad[q][j] != 0)
                    sum += grad[q][i] * fit->cov[inputs[i]][inputs[j]] * grad[q][j];
        error[q] = sqrt(sum);
    }
    set(out, MAP_contact_stiffness, c.stiffness, error[0]);
    set(out, MAP_contact_radius, c.radius, error[1]);
    set(out, MAP_mean_pressure, c.pressure, error[2]);
    set(out, MAP_stiffness_ratio, c.stiffness / plan->setup.spring_n_per_m, NAN);
}

double sample_modulus(const struct curve_plan *plan, double reduced, double *power)
{
    const struct known *item = plan->lever.item;
    double nu = plan->poisson_ratio, nu_tip = item[LEVER_tip_poisson_ratio].value;
    double of_tip = item[LEVER_tip_modulus].value, share = 0;
    if (isfinite(of_tip)) share = reduced * (1.0 - nu_tip * nu_tip) / of_tip;
    *power = 1.0 / (1.0 - share);
    return reduced * (1.0 - nu * nu) * *power;
}

/* How far the model may be trusted here. */
static void set_checks(const struct curve_plan *plan, const struct contact_fit *fit, double depth,
                       double u_point, double modulus, double power, struct pixel_result *out)
{
    double radius = plan->model->needs & NEEDS(tip_radius) ? plan->setup.radius_m : NAN, unused;
    double half = sample_modulus(plan, fit->half_modulus, &unused);
    double more = fit->half_var - fit->cov[COV_LN_MODULUS][COV_LN_MODULUS];
    set(out, MAP_modulus_half_depth, half, fabs(half * power) * sqrt(fit->half_var));
    /* the whole fit is efficient, so the difference has the difference of the variances (J. A.
     * Hausman, Econometrica 46 (1978) 1251) */
    set(out, MAP_modulus_depth_ratio, half / modulus, half / modulus * sqrt(fmax(more, 0)));
    set(out, MAP_reduced_chi_square, fit->chi_square, NAN);
    set(out, MAP_residual_runs, fit->runs, NAN);
    set(out, MAP_noise_order, (double)fit->noise_order, NAN);
    set(out, MAP_slow_noise, fit->slow_ratio, NAN);
    set(out, MAP_residual_rms, fit->whole_rms, NAN);
    set(out, MAP_samples_effective, fit->effective, NAN);
    set(out, MAP_depth_to_radius, depth / radius, NAN);
    set(out, MAP_contact_strain, 0.2 * out->map[MAP_contact_radius].value / radius, NAN);
    set(out, MAP_point_uncertainty, u_point / depth, NAN);
    set(out, MAP_contact_to_pitch, 2.0 * out->map[MAP_contact_radius].value / plan->pixel_pitch_m,
        NAN);
}

/* How much of the base the contact can feel. */
static void set_layer_ratio(const struct curve_plan *plan, double depth, struct pixel_result *out)
{
    const struct contact_setup *s = &plan->setup;
    double radius = out->map[MAP_contact_radius].value;
    set(out, MAP_layer_ratio,
        !(s->thickness_m > 0)      ? NAN
        : plan->model->layer_ratio ? plan->model->layer_ratio(s, depth)
                                   : radius / s->thickness_m,
        NAN);
}

/* Also where a layer model had no layer to fit. */
static void set_contact_point(const struct contact_fit *fit, struct pixel_result *out)
{
    double u_point = sqrt(fit->cov[COV_CONTACT_POINT][COV_CONTACT_POINT]);
    if (!isfinite(fit->contact_point)) return;
    set(out, MAP_contact_point, fit->contact_point, u_point);
    set(out, MAP_contact_height, -fit->contact_point, u_point);
}

static void set_fit_maps(const struct curve_plan *plan, const struct lane *lane,
                         const struct contact_fit *fit, struct pixel_result *out)
{
    double k = plan->setup.spring_n_per_m, power;
    double relative = sqrt(fit->cov[COV_LN_MODULUS][COV_LN_MODULUS]);
    double u_point = sqrt(fit->cov[COV_CONTACT_POINT][COV_CONTACT_POINT]);
    double depth = lane->peak_z - fit->contact_point - lane->peak_d;
    double reduced = fit->sample.reduced_modulus_pa,
           modulus = sample_modulus(plan, reduced, &power);
    set(out, MAP_modulus, modulus, fabs(modulus * power) * relative);
    set(out, MAP_reduced_modulus, reduced, reduced * relative);
    set(out, MAP_indentation, depth, sqrt(fit->cov[COV_DEPTH][COV_DEPTH]));
    set(out, MAP_fit_residual, k * fit->residual_m, NAN);
    set(out, MAP_samples_used, (double)fit->used, NAN);
    set(out, MAP_modulus_contact_correlation,
        fit->cov[COV_LN_MODULUS][COV_CONTACT_POINT] / (relative * u_point), NAN);
    if (plan->model->adhesive && plan->work_from == 0)
        set(out, MAP_work_of_adhesion, fit->sample.work_j_per_m2,
            fit->sample.work_j_per_m2 * sqrt(fit->cov[COV_LN_WORK][COV_LN_WORK]));
    set_contact_numbers(plan, depth, fit, out);
    set_layer_ratio(plan, depth, out);
    set_checks(plan, fit, depth, u_point, modulus, power, out);
}

/* --- what needs no model --- */

/* The last sample that does not stand above zero. */
static size_t last_at_zero(const struct lane *lane)
{
    size_t i = pass_only_above(lane->flat, 0, lane->n, 3.0 * lane->noise);
    return i > 0 ? i - 1 : 0;
}

/* The lowest of samples [0, end); 0 if none is negative. */
static size_t lowest_before(const struct lane *lane, size_t end)
{
    double low, high;
    if (!(lane->lowest < 0)) return 0;
    if (lane->lowest_at < end) return lane->lowest_at;
    pass_range(lane->flat, end, &low, &high);
    return low < 0 ? pass_first_not_above(lane->flat, 0, end, low) : 0;
}

/* Where a sample's two neighbours lie, for the part of an error that the sampling makes. */
static double step_at(const struct lane *lane, size_t i)
{
    return i + 1 < lane->n ? fabs(lane_separation(lane, i + 1) - lane_separation(lane, i)) : 0.0;
}

/* Later half of the samples in contact. The error is that of noise alone: a contact that bends
 * leaves residuals about its line, but the same ones each time. */
static void set_contact_slope(const struct lane *lane, size_t at, struct pixel_result *out)
{
    size_t from = at + 1 + (lane->n - 1 - at) / 2;
    if (from + PEAK_SAMPLES > lane->n) return;
    struct pass_line p = pass_line(lane->z, lane->flat, from, lane->n, lane->z[from],
                                   lane->flat[from]);
    double n = (double)(lane->n - from), szz = p.zz - p.z * p.z / n;
    if (!(szz > 0)) return;
    set(out, MAP_contact_slope, (p.zd - p.z * p.d / n) / szz,
        sqrt(lane->noise * lane->noise / szz + lane->baseline_var[2]));
}

/* @param at  last_at_zero */
static void measure_approach(const struct curve_plan *plan, const struct lane *lane, size_t at,
                             struct pixel_result *out)
{
    double k = plan->setup.spring_n_per_m;
    size_t deepest = lowest_before(lane, at + 1);
    double lowest = fmin(lane->force[deepest], 0.0);
    set(out, MAP_peak_force, k * lane->peak_d, k * lane->peak_error);
    set(out, MAP_setpoint_height, -(lane->peak_z - lane->peak_d), lane->peak_error);
    double moved = lane->peak_z - lane->z[at], step = step_at(lane, at);
    double deformation = moved - lane->peak_d + lane->flat[at];
    double samples = hypot(lane->noise, lane->peak_sample_error);
    set(out, MAP_deformation, deformation,
        sqrt(samples * samples + moved * moved * lane->baseline_var[2] + step * step / 12.0));
    set_contact_slope(lane, at, out);
    if (!(-lowest > 4.0 * k * lane->noise)) lowest = 0; /* the lowest of many noise samples */
    set(out, MAP_snap_in_force, 0.0 - lowest,
        k * hypot(lane->noise, lane_baseline_error(lane, lane->z[deepest])));
}

/* The largest sudden drop of force in contact: means of three samples on either side. */
static void measure_jump(const struct curve_plan *plan, const struct lane *lane, size_t zero,
                         struct pixel_result *out)
{
    enum { SIDE = 3 };
    double k = plan->setup.spring_n_per_m;
    double largest = pass_largest_drop(lane->force, zero + SIDE, lane->n);
    /* the mean difference has sqrt(2/3) of the noise of one sample */
    if (!(largest / SIDE > 6.0 * sqrt(2.0 / SIDE) * k * lane->noise)) return;
    if (!(largest / SIDE > 0.01 * k * lane->peak_d)) return;
    size_t at = pass_drop_at(lane->force, zero + SIDE, lane->n, largest);
    set(out, MAP_jump_force, (lane->force[at] + lane->force[at - 1] + lane->force[at - 2]) / SIDE,
        NAN);
    set(out, MAP_jump_separation, lane_separation(lane, at), NAN);
    out->flags |= FLAG(jump);
}

/* The minimum without the bias of picking the lowest of noisy samples: a parabola through seven
 * samples on the contact's side of the jump; its value at the sample where it is lowest, and that
 * value's variance in units of a sample's. */
static double smooth_minimum(const struct lane *lane, size_t off, size_t deepest, double *leverage)
{
    enum { W = 7 };
    size_t first = deepest > off + W / 2 ? deepest - W / 2 : off;
    if (first + W > lane->n) return lane->force[deepest];
    double c[3] = {0}, norm[3] = {W, 0, 0}, best = INFINITY;
    double p[3][W]; /* discrete orthogonal polynomials: 1, t, t^2 - mean */
    for (int i = 0; i < W; i++)
        p[0][i] = 1, p[1][i] = i - W / 2, p[2][i] = p[1][i] * p[1][i] - 4.0;
    for (int q = 0; q < 3; q++) {
        norm[q] = 0;
        for (int i = 0; i < W; i++)
            norm[q] += p[q][i] * p[q][i], c[q] += p[q][i] * lane->force[first + (size_t)i];
        c[q] /= norm[q];
    }
    for (int i = 0; i < W; i++) {
        double value = c[0] + c[1] * p[1][i] + c[2] * p[2][i];
        if (value >= best) continue;
        best = value;
        *leverage = 1.0 / norm[0] + p[1][i] * p[1][i] / norm[1] + p[2][i] * p[2][i] / norm[2];
    }
    return best;
}

/* @param off  lane_pull_off */
static void measure_adhesion(const struct curve_plan *plan, const struct lane *lane, size_t off,
                             struct pixel_result *out)
{
    double k = plan->setup.spring_n_per_m, spread;
    size_t deepest = lane->lowest_at;
    double u_base = lane_baseline_error(lane, lane->z[deepest]), leverage = 1.0;
    if (off == lane->n) { /* the lowest of many noise samples is no adhesion */
        out->flags |= FLAG(adhesion_in_noise);
        set(out, MAP_adhesion, 0.0, k * hypot(lane->noise, u_base));
        set(out, MAP_adhesion_energy, 0.0, NAN);
        return;
    }
    double pull = -smooth_minimum(lane, off, deepest, &leverage);
    set(out, MAP_adhesion, pull, k * hypot(lane->noise * sqrt(leverage), u_base));
    size_t end = pass_first_not_below(lane->force, off + 1, lane->n - 1, 0.0);
    double area = pass_wells(lane->z, lane->flat, lane->force, off > 0 ? off - 1 : 0, end, &spread);
    set(out, MAP_adhesion_energy, area, k * lane->noise * sqrt(spread));
}

/* @param a  of the approach: last_at_zero
 *  @param b  of the retract: lane_pull_off */
static void measure_both(const struct curve_plan *plan, const struct lane *go, size_t a,
                         const struct lane *back, size_t b, struct pixel_result *out)
{
    double k = plan->setup.spring_n_per_m;
    if (b == back->n) b = last_at_zero(back);
    double z_low = fmin(go->z[a], back->z[b]),
           z_high = fmin(go->z[go->n - 1], back->z[back->n - 1]);
    z_low -= 0.05 * (z_high - z_low);
    double loss = pass_area(go->z, go->force, go->n, z_low, z_high) -
                  pass_area(back->z, back->force, back->n, z_low, z_high);
    double cells_go = (double)go->n * (z_high - z_low) / (go->z[go->n - 1] - go->z[0]);
    double cells_back = (double)back->n * (z_high - z_low) / (back->z[back->n - 1] - back->z[0]);
    double span = z_high - z_low, middle = 0.5 * (z_low + z_high);
    double u = k * span *
               sqrt(go->noise * go->noise / cells_go + back->noise * back->noise / cells_back +
                    pow(lane_baseline_error(go, middle), 2) +
                    pow(lane_baseline_error(back, middle), 2));
    set(out, MAP_dissipated_energy, loss, u);
    double common = 0.5 * (fmax(go->z[0], back->z[0]) +
                           fmin(go->z[go->baseline_end - 1], back->z[back->baseline_end - 1]));
    double gap = go->offset + go->slope * (common - go->z_ref) - back->offset -
                 back->slope * (common - back->z_ref);
    set(out, MAP_baseline_gap, k * gap,
        k * hypot(lane_baseline_error(go, common), lane_baseline_error(back, common)));
}

static void set_work_from_pull_off(const struct curve_plan *plan, struct pixel_result *out)
{
    if (plan->work_from != 1 && plan->work_from != 2) return;
    /* DMT: F_ad = 2 pi R w; JKR: F_ad = 1.5 pi R w */
    double per = 1.0 / ((plan->work_from == 1 ? 2.0 : 1.5) * M_PI * plan->setup.radius_m);
    set(out, MAP_work_of_adhesion, per * out->map[MAP_adhesion].value,
        per * out->map[MAP_adhesion].error);
}

static bool usable(const struct lane *lane)
{
    return lane->n >= SMALLEST_CURVE && lane->baseline_end >= 4 && !lane->runs_back;
}

void measure_maps(const struct curve_plan *plan, const struct curve_work *w,
                  const struct contact_fit *fit, struct pixel_result *out)
{
    const struct lane *go = &w->lane[0], *back = &w->lane[1];
    const struct lane *fitted = plan->segment == SEG_APPROACH ? go : back;
    double k = plan->setup.spring_n_per_m;
    double u_thickness = sqrt(fit->cov[COV_THICKNESS][COV_THICKNESS]);
    if (go->found_end) set(out, MAP_approach_baseline_samples, (double)go->found_end, NAN);
    if (back->found_end) set(out, MAP_retract_baseline_samples, (double)back->found_end, NAN);
    set(out, MAP_thickness, plan->setup.thickness_m, u_thickness > 0 ? u_thickness : NAN);
    set_contact_point(fit, out);
    if (fit->done) set_fit_maps(plan, fitted, fit, out);
    if (usable(fitted)) {
        set(out, MAP_force_noise, k * fitted->noise, NAN);
        set(out, MAP_baseline_slope, fitted->slope, sqrt(fitted->baseline_var[2]));
        set(out, MAP_baseline_offset,
            fitted->offset + fitted->slope * (fitted->z[0] - fitted->z_ref),
            lane_baseline_error(fitted, fitted->z[0]));
    }
    size_t zero = usable(go) ? last_at_zero(go) : 0, off = usable(back) ? lane_pull_off(back) : 0;
    if (usable(go)) measure_approach(plan, go, zero, out), measure_jump(plan, go, zero, out);
    if (usable(back)) measure_adhesion(plan, back, off, out);
    if (usable(go) && usable(back)) measure_both(plan, go, zero, back, off, out);
    set_work_from_pull_off(plan, out);
    measure_transition(plan, usable(back) ? back : NULL, off, fit, out);
}
