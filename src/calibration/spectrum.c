#include "calibration/spectrum.h"

#include <gsl/gsl_fft_halfcomplex.h>
#include <gsl/gsl_fft_real.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

void spectrum_free(struct spectrum *s)
{
    free(s->hz);
    free(s->density);
    free(s->lag);
    *s = (struct spectrum){0};
}

static double hann(size_t i, size_t n)
{
    double half = sin(M_PI * (double)i / (double)n);
    return half * half;
}

/* Autocorrelation of the window, 1 at lag 0. The sums over sines and cosines have a closed form,
 * but few understand it: the window is real, smooth and short, so one transform of twice its
 * length. */
static enum status window_lags(struct spectrum *s, struct report *rep)
{
    size_t n = s->segment, m = 2 * n;
    double *w = calloc(m, sizeof *w);
    gsl_fft_real_wavetable *there = gsl_fft_real_wavetable_alloc(m);
    gsl_fft_halfcomplex_wavetable *back = gsl_fft_halfcomplex_wavetable_alloc(m);
    gsl_fft_real_workspace *work = gsl_fft_real_workspace_alloc(m);
    s->lag = malloc(n * sizeof *s->lag);
    bool room = w && there && back && work && s->lag;
    if (room) {
        for (size_t i = 0; i < n; i++)
            w[i] = hann(i, n);
        gsl_fft_real_transform(w, 1, m, there, work);
        w[0] *= w[0];
        for (size_t k = 1; k < n; k++) {
            w[2 * k - 1] = w[2 * k - 1] * w[2 * k - 1] + w[2 * k] * w[2 * k];
            w[2 * k] = 0;
        }
        w[m - 1] *= w[m - 1];
        gsl_fft_halfcomplex_inverse(w, 1, m, back, work);
        for (size_t i = 0; i < n; i++)
            s->lag[i] = w[i] / w[0];
    }
    free(w);
    if (there) gsl_fft_real_wavetable_free(there);
    if (back) gsl_fft_halfcomplex_wavetable_free(back);
    if (work) gsl_fft_real_workspace_free(work);
    return room ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for a spectrum");
}

/* |sum_i w(i) w(i + shift) exp(-2 pi i m i/n)|^2 / (sum w^2)^2 */
static double overlap_power(size_t n, size_t shift, size_t m)
{
    double re = 0, im = 0, norm = 0;
    for (size_t i = 0; i < n; i++) {
        double w = hann(i, n), phase = 2 * M_PI * (double)m * (double)i / (double)n;
        norm += w * w;
        if (i + shift >= n) continue;
        re += w * hann(i + shift, n) * cos(phase);
        im += w * hann(i + shift, n) * sin(phase);
    }
    return (re * re + im * im) / (norm * norm);
}

/* Segments that overlap by half share power; others are independent. */
static void find_spread(struct spectrum *s, size_t records)
{
    double k = (double)s->segments, pairs = 2 * (k - (double)records);
    for (size_t m = 0; m < SPECTRUM_NEIGHBOURS; m++)
        s->spread[m] = (k * overlap_power(s->segment, 0, m) +
                        pairs * overlap_power(s->segment, s->segment / 2, m)) /
                       (k * k);
}

struct welch {
    double *x, *window, norm;
    gsl_fft_real_wavetable *table;
    gsl_fft_real_workspace *work;
};

static void add_segment(struct welch *w, const double *from, struct spectrum *s)
{
    size_t n = s->segment;
    double mean = 0;
    for (size_t i = 0; i < n; i++)
        mean += from[i] / (double)n;
    for (size_t i = 0; i < n; i++)
        w->x[i] = w->window[i] * (from[i] - mean);
    gsl_fft_real_transform(w->x, 1, n, w->table, w->work);
    for (size_t k = 1; k < n / 2; k++)
        s->density[k - 1] += w->norm *
                             (w->x[2 * k - 1] * w->x[2 * k - 1] + w->x[2 * k] * w->x[2 * k]);
}

static void run_welch(const struct records *from, struct welch *w, struct spectrum *s)
{
    size_t n = s->segment;
    double squares = 0;
    for (size_t i = 0; i < n; i++) {
        w->window[i] = hann(i, n);
        squares += w->window[i] * w->window[i];
    }
    w->norm = 2 / (from->rate_hz * squares * (double)s->segments);
    for (size_t r = 0; r < from->count; r++)
        for (size_t at = 0; at + n <= from->n; at += n / 2)
            add_segment(w, from->x + r * from->n + at, s);
    for (size_t k = 0; k < s->n; k++)
        s->hz[k] = (double)(k + 1) * s->step_hz;
}

/* The ordinates at zero and at the highest frequency have half the degrees of freedom: left out. */
static enum status make_room(struct spectrum *s, size_t n, struct report *rep)
{
    s->n = n;
    s->hz = calloc(n, sizeof *s->hz);
    s->density = calloc(n, sizeof *s->density);
    return s->hz && s->density
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory for a spectrum of %zu points", n);
}

enum status spectrum_welch(const struct records *from, size_t segment, struct spectrum *out,
                           struct report *rep)
{
    struct welch w = {0};
    *out = (struct spectrum){.segment = segment, .rate_hz = from->rate_hz};
    if (segment < 16 || segment > from->n || segment % 2)
        return fail(rep, ST_INPUT,
                    "a spectrum over segments of %zu samples cannot be made from records of %zu",
                    segment, from->n);
    out->segments = from->count * ((from->n - segment) / (segment / 2) + 1);
    out->step_hz = from->rate_hz / (double)segment;
    enum status st = make_room(out, segment / 2 - 1, rep);
    if (st == ST_OK) st = window_lags(out, rep);
    if (st != ST_OK) goto done;
    w.x = malloc(segment * sizeof *w.x);
    w.window = malloc(segment * sizeof *w.window);
    w.table = gsl_fft_real_wavetable_alloc(segment);
    w.work = gsl_fft_real_workspace_alloc(segment);
    if (!w.x || !w.window || !w.table || !w.work) {
        st = fail(rep, ST_MEMORY, "not enough memory for segments of %zu samples", segment);
        goto done;
    }
    run_welch(from, &w, out);
    find_spread(out, from->count);
done:
    free(w.x);
    free(w.window);
    if (w.table) gsl_fft_real_wavetable_free(w.table);
    if (w.work) gsl_fft_real_workspace_free(w.work);
    if (st != ST_OK) spectrum_free(out);
    return st;
}

static enum status check_given(const double *hz, const double *density, size_t n,
                               struct report *rep)
{
    double step = n > 1 ? (hz[n - 1] - hz[0]) / (double)(n - 1) : NAN;
    if (n < 16) return fail(rep, ST_INPUT, "a spectrum of %zu points is too short", n);
    for (size_t i = 0; i < n; i++) {
        if (!(fabs(hz[i] - hz[0] - step * (double)i) <= 1e-2 * step) || hz[0] < 0)
            return fail(rep, ST_INPUT,
                        "frequencies must ascend in equal steps from zero or above; point %zu is "
                        "%g Hz where %g Hz is expected",
                        i, hz[i], hz[0] + step * (double)i);
        if (!(density[i] > 0) && hz[i] > 0)
            return fail(rep, ST_INPUT,
                        "point %zu (%g Hz) of the spectrum is %g; a spectral density is positive",
                        i, hz[i], density[i]);
    }
    return ST_OK;
}

enum status spectrum_given(const double *hz, const double *density, size_t n, double averages,
                           bool hann_window, struct spectrum *out, struct report *rep)
{
    *out = (struct spectrum){0};
    enum status st = check_given(hz, density, n, rep);
    if (st != ST_OK) return st;
    size_t skip = hz[0] > 0 ? 0u : 1u; /* the ordinate at zero is the mean */
    st = make_room(out, n - skip, rep);
    if (st != ST_OK) goto done;
    memcpy(out->hz, hz + skip, out->n * sizeof *hz);
    memcpy(out->density, density + skip, out->n * sizeof *hz);
    out->step_hz = (hz[n - 1] - hz[0]) / (double)(n - 1);
    out->segments = averages > 1 ? (size_t)averages : 1;
    out->spread[0] = 1 / averages;
    if (!hann_window) return ST_OK;
    for (size_t m = 1; m < SPECTRUM_NEIGHBOURS; m++)
        out->spread[m] = overlap_power(64, 0, m) / averages;
    /* as if sampled just fast enough: the window's smoothing needs a length */
    double first = out->hz[0] / out->step_hz;
    if (fabs(first - rint(first)) > 1e-2) return ST_OK;
    out->segment = 2 * ((size_t)rint(first) + out->n);
    out->rate_hz = out->step_hz * (double)out->segment;
    st = window_lags(out, rep);
done:
    if (st != ST_OK) spectrum_free(out);
    return st;
}
