#include "calibration/contact_line.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>

const char *const line_faults[LINE_FAULTS] = {
#define F(name, words) words,
    LINE_FAULT_LIST(F)
#undef F
};

enum { FEWEST = 40, PEAK = 5, WINDOW_FEWEST = 10 };

/* --- one curve --- */

/* Least squares y = c0 + c1 u + c2 u^2 by orthogonal polynomials on the given u: c1 is that of the
 * line alone, c2 that of the parabola. */
struct curve_fit {
    double middle, level, slope, slope_u, bend, bend_u, rms;
};

static struct curve_fit fit_parabola(const double *z, const double *y, size_t n)
{
    struct curve_fit f = {.middle = gsl_stats_mean(z, 1, n), .level = gsl_stats_mean(y, 1, n)};
    double s2 = 0, s3 = 0, sy = 0, p2 = 0, py = 0, rest = 0, rest2 = 0, m = (double)n;
    for (size_t i = 0; i < n; i++) {
        double u = z[i] - f.middle;
        s2 += u * u, s3 += u * u * u, sy += u * (y[i] - f.level);
    }
    f.slope = sy / s2;
    for (size_t i = 0; i < n; i++) {
        double u = z[i] - f.middle, p = u * u - s3 / s2 * u - s2 / m;
        double r = y[i] - f.level - f.slope * u;
        p2 += p * p, py += p * r, rest += r * r;
    }
    f.bend = py / p2;
    rest2 = fmax(rest - f.bend * py, 0);
    f.rms = sqrt(rest / (m - 2));
    f.slope_u = f.rms / sqrt(s2);
    f.bend_u = sqrt(rest2 / (m - 3) / p2);
    return f;
}

/* Where the signal last leaves the line through the far end: [0, end) is off the surface. */
static size_t find_onset(const double *z, const double *y, size_t n, double peak)
{
    size_t far = n / 5 > 8 ? n / 5 : 8, end = n;
    struct curve_fit f = fit_parabola(z, y, far);
    double limit = fmax(6 * f.rms, 0.01 * fabs(peak - f.level));
    while (end > 0 && y[end - 1] - f.level - f.slope * (z[end - 1] - f.middle) > limit)
        end--;
    return end;
}

/* Samples with a signal in the window: from the surface's side, so that a snap-in or pull-off below
 * the window does not matter. */
static void find_window(const double *y, size_t n, double low, double high, size_t *first,
                        size_t *count)
{
    size_t end = n, at;
    while (end > 0 && !(y[end - 1] <= high))
        end--;
    for (at = end; at > 0 && y[at - 1] >= low; at--) {
    }
    *first = at;
    *count = end - at;
}

static size_t keep_finite(const double *z, const double *signal, size_t n, double *kept_z,
                          double *kept_y)
{
    size_t m = 0;
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(z[i]) || !isfinite(signal[i])) continue;
        kept_z[m] = z[i];
        kept_y[m++] = signal[i];
    }
    return m;
}

void contact_line_fit(const double *z_all, const double *signal, size_t n_all,
                      const struct line_window *window, double *scratch, struct contact_line *out)
{
    double *z = scratch, *y = scratch + n_all, top = 0;
    size_t n = keep_finite(z_all, signal, n_all, z, y), first, count;
    *out = (struct contact_line){.fault = LINE_few_samples};
    if (n < FEWEST) return;
    for (size_t i = n - PEAK; i < n; i++)
        top += y[i] / PEAK;
    size_t onset = find_onset(z, y, n, top), quiet = onset - onset / 12;
    out->fault = LINE_no_contact;
    if (onset == n || quiet < n / 20 + 8) return;
    struct curve_fit base = fit_parabola(z, y, quiet);
    out->base = base.slope;
    out->noise = base.rms;
    for (size_t i = 0; i < n; i++)
        y[i] -= base.level + base.slope * (z[i] - base.middle);
    out->peak = top - base.level - base.slope * (z[n - 1] - base.middle);
    if (!(out->peak > 10 * base.rms)) return;
    find_window(y, n, window->from * out->peak, window->to * out->peak, &first, &count);
    out->fault = LINE_small_window;
    if (count < WINDOW_FEWEST) return;
    struct curve_fit f = fit_parabola(z + first, y + first, count);
    double width = z[first + count - 1] - z[first];
    out->fault = f.slope > 0 ? LINE_none : LINE_not_rising;
    out->slope = f.slope;
    out->slope_u = f.slope_u;
    out->curvature = 2 * f.bend * width / f.slope;
    out->curvature_u = 2 * f.bend_u * width / f.slope;
    out->used = count;
}

/* --- all curves --- */

static size_t gather(const struct contact_line *line, size_t n, double *slope)
{
    size_t m = 0;
    for (size_t i = 0; i < n; i++)
        if (line[i].fault == LINE_none) slope[m++] = line[i].slope;
    return m;
}

static size_t mark_outliers(struct contact_line *line, size_t n, double limit, double *scratch)
{
    size_t m = gather(line, n, scratch), marked = 0;
    if (m < 4) return 0;
    gsl_sort(scratch, 1, m);
    double median = gsl_stats_median_from_sorted_data(scratch, 1, m);
    for (size_t i = 0; i < m; i++)
        scratch[i] = fabs(scratch[i] - median);
    /* the median of few deviations is itself unsure: our own allowance, 1.5 for eight curves */
    double spread = 1.4826 * gsl_stats_median(scratch, 1, m) * (1 + 4.0 / (double)m);
    for (size_t i = 0; i < n; i++) {
        if (line[i].fault != LINE_none || !(fabs(line[i].slope - median) > limit * spread))
            continue;
        line[i].fault = LINE_outlier;
        marked++;
    }
    return marked;
}

void contact_lines_sum(struct contact_line *line, size_t n, double limit, double *scratch,
                       struct line_summary *out)
{
    double bend2 = 0;
    *out = (struct line_summary){.outliers = mark_outliers(line, n, limit, scratch)};
    size_t m = out->curves = gather(line, n, scratch);
    if (m == 0) return;
    double count = (double)m;
    out->slope = gsl_stats_mean(scratch, 1, m);
    out->scatter = m > 1 ? gsl_stats_sd_m(scratch, 1, m, out->slope) : NAN;
    out->memory = m > 8 ? gsl_stats_lag1_autocorrelation_m(scratch, 1, m, out->slope) : 0;
    for (size_t i = 0; i < n; i++) {
        if (line[i].fault != LINE_none) continue;
        out->fit_u += line[i].slope_u * line[i].slope_u / count;
        out->curvature += line[i].curvature / count;
        bend2 += line[i].curvature_u * line[i].curvature_u / (count * count);
    }
    out->fit_u = sqrt(out->fit_u);
    out->curvature_u = sqrt(bend2);
    /* drift makes neighbours alike, and fewer of them count: first-order autoregression */
    double r = fmin(fmax(out->memory, 0), 0.98), alike = (1 + r) / (1 - r);
    out->u = m > 1 ? out->scatter * sqrt(fmin(alike, count) / count) : out->fit_u;
}
