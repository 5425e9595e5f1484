/* Unloading after plastic deformation: zero of the depth from the loading, power law through the
 * unloading, and what follows from both (contact/unloading.h). */
#include "curve/power_fit.h"

#include <math.h>
#include <string.h>

/* Loading goes from F ~ h (punch) to F ~ h^2 (cone); unloading may be steeper. */
static const double steepest_loading = 4.0, steepest_unloading = 8.0;

/* Inputs of the results: the unloading's unknowns, and the zero of the depth. */
enum { ZERO_OF_DEPTH = POWER_SIZE, INPUTS };

#define RESULT_LIST(R)                                                                             \
    R(unloading_force)                                                                             \
    R(unloading_depth)                                                                             \
    R(unloading_stiffness)                                                                         \
    R(residual_depth)                                                                              \
    R(residual_depth_ratio)                                                                        \
    R(contact_depth)                                                                               \
    R(contact_area)                                                                                \
    R(hardness)                                                                                    \
    R(unloading_reduced_modulus)                                                                   \
    R(unloading_modulus)

enum {
#define R(name) RESULT_##name,
    RESULT_LIST(R)
#undef R
        RESULTS
};
static const enum map_id maps[RESULTS] = {
#define R(name) MAP_##name,
    RESULT_LIST(R)
#undef R
};

/* Where the retract begins: on the fitted curve, which is less noisy than single samples. */
static void results_at(const struct curve_plan *plan, const struct power_fit *fit, double peak_z,
                       const double x[INPUTS], double out[RESULTS])
{
    double span = x[POWER_SPAN], m = x[POWER_EXPONENT], power;
    double t = power_fit_share(peak_z - x[POWER_ZERO], fit->reference_m, span, m);
    double d = fit->reference_m * pow(t, m), force = plan->setup.spring_n_per_m * d;
    double stiffness = force * m / (span * t), depth = peak_z - d - x[ZERO_OF_DEPTH];
    struct unloading_state s = unloading_at(&plan->unloading.law, force, stiffness, depth);
    double modulus = sample_modulus(plan, s.reduced_modulus_pa, &power);
    out[RESULT_unloading_force] = force;
    out[RESULT_unloading_depth] = depth;
    out[RESULT_unloading_stiffness] = stiffness;
    out[RESULT_residual_depth] = x[POWER_ZERO] - x[ZERO_OF_DEPTH];
    out[RESULT_residual_depth_ratio] = out[RESULT_residual_depth] / depth;
    out[RESULT_contact_depth] = s.contact_depth_m;
    out[RESULT_contact_area] = s.area_m2;
    out[RESULT_hardness] = s.hardness_pa;
    out[RESULT_unloading_reduced_modulus] = s.reduced_modulus_pa;
    out[RESULT_unloading_modulus] = power > 0 ? modulus : NAN; /* stiffer than the tip */
}

static double covariance(const struct power_fit *loading, const struct power_fit *fit, int i, int j)
{
    if (i == ZERO_OF_DEPTH && j == ZERO_OF_DEPTH) return loading->cov[POWER_ZERO][POWER_ZERO];
    return i == ZERO_OF_DEPTH || j == ZERO_OF_DEPTH ? 0.0 : fit->cov[i][j];
}

/* First-order propagation through central differences. */
static void errors_at(const struct curve_plan *plan, const struct power_fit *loading,
                      const struct power_fit *fit, double peak_z, const double x[INPUTS],
                      double error[RESULTS])
{
    double slope[INPUTS][RESULTS], up[RESULTS], down[RESULTS], at[INPUTS];
    memset(slope, 0, sizeof slope);
    for (int i = 0; i < INPUTS; i++) {
        double u = sqrt(covariance(loading, fit, i, i));
        if (!(u > 0)) continue;
        /* a tenth of a standard error, but enough above rounding */
        double step = 0.1 * u + 1e-7 * fabs(i == POWER_EXPONENT ? x[i] : fit->reference_m);
        memcpy(at, x, sizeof at);
        at[i] = x[i] + step;
        results_at(plan, fit, peak_z, at, up);
        at[i] = x[i] - step;
        results_at(plan, fit, peak_z, at, down);
        for (int q = 0; q < RESULTS; q++)
            slope[i][q] = (up[q] - down[q]) / (2.0 * step);
    }
    for (int q = 0; q < RESULTS; q++) {
        double sum = 0;
        for (int i = 0; i < INPUTS; i++)
            for (int j = 0; j < INPUTS; j++)
                sum += slope[i][q] * covariance(loading, fit, i, j) * slope[j][q];
        error[q] = sqrt(sum);
    }
}

static void set(struct pixel_result *out, enum map_id id, double value, double error)
{
    out->map[id] = (struct measured){isfinite(value) ? value : NAN, isfinite(error) ? error : NAN};
}

/* Where the method does not hold. */
static uint64_t judge(const struct curve_plan *plan, const double value[RESULTS],
                      const double error[RESULTS], double exponent, const struct pixel_result *r)
{
    uint64_t flags = 0;
    double limit = plan->limit.residual_depth, pull = r->map[MAP_adhesion].value;
    if (!(exponent >= 1.0 && exponent <= 3.0)) flags |= FLAG(unloading_exponent);
    if (!(value[RESULT_residual_depth] > 2.0 * error[RESULT_residual_depth]))
        flags |= FLAG(no_plastic_depth);
    if (isfinite(limit) && value[RESULT_residual_depth_ratio] > limit) flags |= FLAG(pile_up);
    if (!isfinite(value[RESULT_contact_area]) || !isfinite(value[RESULT_unloading_modulus]))
        flags |= FLAG(no_unloading_modulus);
    if (pull > plan->limit.unloading_adhesion * value[RESULT_unloading_force])
        flags |= FLAG(unloading_adhesion);
    return flags;
}

static bool usable(const struct lane *lane, const struct raw_segment *raw)
{
    return lane->n >= SMALLEST_CURVE && lane->baseline_end >= 4 && lane->baseline_end < lane->n &&
           !lane->runs_back && !raw->clipped && lane->peak_d > 5.0 * lane->noise;
}

static size_t quiet(const struct lane *lane)
{
    return lane->quiet_end < lane->baseline_end ? lane->quiet_end : lane->baseline_end;
}

/* The onset lies among samples that may still look quiet; what a snap-in bends stays out. */
static struct power_window loading_window(const struct curve_plan *plan, const struct lane *lane)
{
    size_t low, high, early = quiet(lane);
    attractive_samples(lane, &low, &high);
    if (high > 0 && low < early) early = low;
    return power_window_choose(lane, early, high > early ? high : early, 0.0,
                               plan->unloading.zero_to);
}

static void set_maps(const struct curve_plan *plan, const struct power_fit *loading,
                     const struct power_fit *fit, double peak_z, struct pixel_result *out)
{
    double value[RESULTS], error[RESULTS];
    double x[INPUTS] = {fit->zero_m, fit->span_m, fit->exponent, loading->zero_m};
    results_at(plan, fit, peak_z, x, value);
    errors_at(plan, loading, fit, peak_z, x, error);
    for (int q = 0; q < RESULTS; q++)
        set(out, maps[q], value[q], error[q]);
    set(out, MAP_unloading_exponent, fit->exponent, sqrt(fit->cov[POWER_EXPONENT][POWER_EXPONENT]));
    set(out, MAP_unloading_residual, plan->setup.spring_n_per_m * fit->residual_m, NAN);
    set(out, MAP_unloading_samples, (double)fit->used, NAN);
    out->flags |= judge(plan, value, error, fit->exponent, out);
}

void measure_unloading(const struct curve_plan *plan, const struct raw_curve *raw,
                       struct curve_work *w, struct pixel_result *out)
{
    const struct lane *go = &w->lane[0], *back = &w->lane[1];
    struct power_fit loading, unloading;
    if (!plan->extent.analysis[ANALYSIS_unloading]) return;
    out->flags |= FLAG(no_unloading);
    if (!usable(go, &raw->seg[SEG_APPROACH]) || !usable(back, &raw->seg[SEG_RETRACT])) return;
    power_fit_run(plan, w, go, loading_window(plan, go), steepest_loading, &loading);
    if (!loading.converged) return;
    struct power_window window = power_window_choose(back, quiet(back), back->baseline_end,
                                                     plan->unloading.from, plan->unloading.to);
    power_fit_run(plan, w, back, window, steepest_unloading, &unloading);
    if (!unloading.converged) return;
    out->flags &= ~FLAG(no_unloading);
    set_maps(plan, &loading, &unloading, back->peak_z, out);
}
