/* A segment from the detector's numbers to a deflection curve with a known baseline. */
#include "curve/curve_private.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>

static double deflection_of(const struct curve_plan *plan, enum signal_stage stage,
                            const double *signal, size_t i)
{
    const struct known *item = plan->lever.item;
    switch (stage) {
    case STAGE_DETECTOR:
        return item[LEVER_deflection_sensitivity].value * signal[i];
    case STAGE_QUADRANTS: {
        const double *v = signal + 4 * i;
        double sum = v[0] + v[1] + v[2] + v[3];
        /* no light, no signal */
        if (!(fabs(sum) > 0)) return NAN;
        return item[LEVER_quadrant_sensitivity].value * (v[0] + v[1] - v[2] - v[3]) / sum;
    }
    case STAGE_DEFLECTION:
        return signal[i];
    case STAGE_FORCE:
        return signal[i] / plan->setup.spring_n_per_m;
    }
    return NAN;
}

void lane_fill(const struct curve_plan *plan, const struct raw_curve *raw, enum segment_id seg,
               struct lane *lane)
{
    const struct raw_segment *from = &raw->seg[seg];
    lane->n = lane->missing = 0;
    lane->total = from->n;
    for (size_t k = 0; k < from->n; k++) {
        size_t i = seg == SEG_RETRACT ? from->n - 1 - k : k;
        double d = deflection_of(plan, raw->stage[seg], from->signal, i), z = from->z_m[i];
        if (!isfinite(d) || !isfinite(z)) {
            lane->missing++;
            continue;
        }
        lane->z[lane->n] = z;
        lane->d[lane->n++] = d;
    }
    lane->runs_back = false;
    if (lane->n == 0) return;
    double top = lane->z[0], range = lane->z[lane->n - 1] - lane->z[0];
    for (size_t i = 1; i < lane->n; i++) {
        if (lane->z[i] < top - 0.05 * range) lane->runs_back = true;
        if (lane->z[i] > top) top = lane->z[i];
    }
    if (!(range > 0)) lane->runs_back = true;
}

/* Noise without knowing the curve: scatter of second differences, whose variance is 6 sigma^2 for
 * white noise; the median keeps contact and jumps out. */
static double rough_noise(const struct lane *lane, double *scratch)
{
    size_t n = lane->n - 2;
    for (size_t i = 0; i < n; i++)
        scratch[i] = fabs(lane->d[i] - 2.0 * lane->d[i + 1] + lane->d[i + 2]);
    gsl_sort(scratch, 1, n);
    return gsl_stats_median_from_sorted_data(scratch, 1, n) / (0.6745 * sqrt(6.0));
}

/* Running sums of a straight-line fit, relative to the first sample. */
struct line_sums {
    double n, z, d, zz, zd, dd, z0, d0;
};

static void sums_add(struct line_sums *s, double z, double d)
{
    z -= s->z0, d -= s->d0;
    s->n += 1, s->z += z, s->d += d, s->zz += z * z, s->zd += z * d, s->dd += d * d;
}

/* Slope, mean position and level, scatter; order 0: slope 0. */
static void sums_line(const struct line_sums *s, int order, double *slope, double *z_mean,
                      double *level, double *szz, double *rms)
{
    *z_mean = s->z / s->n;
    *level = s->d / s->n;
    *szz = s->zz - s->z * *z_mean;
    double szd = s->zd - s->z * *level, sdd = s->dd - s->d * *level;
    *slope = order && *szz > 0 ? szd / *szz : 0.0;
    double rest = sdd - *slope * szd;
    *rms = s->n > 1 + order && rest > 0 ? sqrt(rest / (s->n - 1 - order)) : 0.0;
    *z_mean += s->z0;
    *level += s->d0;
}

/* Does the mean of block [from, to) lie on the line through what was accepted so far? */
static bool block_fits(const struct lane *lane, const struct line_sums *sums, int order,
                       size_t from, size_t to, double noise, double tolerance)
{
    double slope, z_mean, level, szz, rms, z = 0, d = 0, m = (double)(to - from);
    sums_line(sums, order, &slope, &z_mean, &level, &szz, &rms);
    for (size_t i = from; i < to; i++)
        z += lane->z[i], d += lane->d[i];
    z /= m, d /= m;
    double sigma = fmax(noise, rms);
    double spread = 1.0 / m + 1.0 / sums->n + (order ? (z - z_mean) * (z - z_mean) / szz : 0.0);
    return fabs(d - level - slope * (z - z_mean)) <= 5.0 * sigma * sqrt(spread) + tolerance;
}

void lane_fit_baseline(int order, size_t end, struct lane *lane)
{
    struct line_sums sums = {.z0 = lane->z[0], .d0 = lane->d[0]};
    double szz, rms;
    for (size_t i = 0; i < end; i++)
        sums_add(&sums, lane->z[i], lane->d[i]);
    sums_line(&sums, order, &lane->slope, &lane->z_ref, &lane->offset, &szz, &rms);
    double rest = 0; /* second pass: differences of sums lose digits */
    for (size_t i = 0; i < end; i++) {
        double r = lane_deflection(lane, i);
        rest += r * r;
    }
    lane->noise = sqrt(rest / ((double)end - 1.0 - order));
    lane->slope_error = order ? lane->noise / sqrt(szz) : 0.0;
    lane->level_error = lane->noise / sqrt((double)end);
}

void lane_find_baseline(const struct curve_plan *plan, struct lane *lane, double *scratch)
{
    size_t n = lane->n, block = n / 64 > 4 ? n / 64 : 4, end = n / 12 > 8 ? n / 12 : 8;
    double low = lane->d[0], high = lane->d[0], noise = rough_noise(lane, scratch);
    for (size_t i = 1; i < n; i++) {
        low = fmin(low, lane->d[i]);
        high = fmax(high, lane->d[i]);
    }
    /* A tolerance of a thousandth of the curve lets weak waves and drift pass as baseline. */
    double tolerance = 1e-3 * (high - low);
    struct line_sums sums = {.z0 = lane->z[0], .d0 = lane->d[0]};
    for (size_t i = 0; i < end; i++)
        sums_add(&sums, lane->z[i], lane->d[i]);
    while (end + block <= n) {
        size_t next = end + block, after = next + block < n ? next + block : n;
        if (!block_fits(lane, &sums, plan->baseline_order, end, next, noise, tolerance) &&
            (after == next ||
             !block_fits(lane, &sums, plan->baseline_order, next, after, noise, tolerance)))
            break;
        for (size_t i = end; i < next; i++)
            sums_add(&sums, lane->z[i], lane->d[i]);
        end = next;
    }
    if (end + block > n) end = n;
    lane->baseline_end = end;
    /* The onset of contact is gentle: the last blocks may already lean on the surface. */
    size_t guard = end / 12 + block, used = end > guard + 8 ? end - guard : end;
    lane_fit_baseline(plan->baseline_order, used, lane);
    lane->off_offset = lane->offset;
    lane->off_slope = lane->slope;
}

double lane_deflection(const struct lane *lane, size_t i)
{
    return lane->d[i] - lane->offset - lane->slope * (lane->z[i] - lane->z_ref);
}

/* Line through the last five samples, at the last one: less noise than one sample, and no lag. */
static void find_turning_point(struct lane *lane)
{
    enum { LAST = 5 };
    size_t first = lane->n - LAST;
    struct line_sums sums = {.z0 = lane->z[first], .d0 = lane->d[first]};
    double slope, z_mean, level, szz, rms;
    for (size_t i = first; i < lane->n; i++)
        sums_add(&sums, lane->z[i], lane->d[i]);
    sums_line(&sums, 1, &slope, &z_mean, &level, &szz, &rms);
    lane->peak_z = lane->z[lane->n - 1];
    lane->peak_d = level + slope * (lane->peak_z - z_mean) - lane->offset -
                   lane->slope * (lane->peak_z - lane->z_ref);
}

void lane_set_force(const struct curve_plan *plan, struct lane *lane)
{
    for (size_t i = 0; i < lane->n; i++)
        lane->force[i] = plan->setup.spring_n_per_m * lane_deflection(lane, i);
    find_turning_point(lane);
}

void lane_set_separation(struct lane *lane, double contact_point_m)
{
    for (size_t i = 0; i < lane->n; i++)
        lane->separation[i] = contact_point_m - lane->z[i] + lane_deflection(lane, i);
}

size_t lane_pull_off(const struct lane *lane)
{
    double limit = 4.0 * lane->noise, lowest = 0;
    size_t at = lane->n;
    for (size_t i = 0; i < lane->n; i++) {
        double d = lane_deflection(lane, i);
        if (d < lowest) lowest = d, at = i;
    }
    if (!(-lowest > limit) || at == lane->n) return lane->n;
    /* The end of a JKR contact carries 5/9 of the pull-off force at fixed displacement: what is
     * below half of that, going out from the minimum, has come off. */
    while (at > 0 && lane_deflection(lane, at - 1) < 5.0 / 18.0 * lowest)
        at--;
    return at;
}
