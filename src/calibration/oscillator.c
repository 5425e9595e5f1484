#include "calibration/oscillator.h"

#include "calibration/thermal.h"

#include <complex.h>
#include <gsl/gsl_fft_real.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* --- what the window makes of an oscillator --- */

struct bench {
    const struct spectrum *s;
    size_t first, n; /* ordinates [first, first + n) are fitted */
    bool pointwise;  /* rough: the density itself */
    double *lags;    /* [segment] */
    gsl_fft_real_wavetable *table;
    gsl_fft_real_workspace *work;
    double *shape;          /* [n] of unit area */
    double *low, *high;     /* [n] the same a step aside */
    double *model;          /* [n] */
    double (*d)[OSC_COUNT]; /* [n] d ln S/d parameter */
};

static enum status bench_make(struct bench *b, const struct spectrum *s, struct report *rep)
{
    *b = (struct bench){.s = s, .n = s->n};
    b->shape = malloc(4 * s->n * sizeof *b->shape);
    b->d = malloc(s->n * sizeof *b->d);
    if (s->lag) {
        b->lags = malloc(s->segment * sizeof *b->lags);
        b->table = gsl_fft_real_wavetable_alloc(s->segment);
        b->work = gsl_fft_real_workspace_alloc(s->segment);
    }
    if (!b->shape || !b->d || (s->lag && (!b->lags || !b->table || !b->work)))
        return fail(rep, ST_MEMORY, "not enough memory to fit a spectrum of %zu points", s->n);
    b->low = b->shape + s->n;
    b->high = b->low + s->n;
    b->model = b->high + s->n;
    return ST_OK;
}

static void bench_free(struct bench *b)
{
    free(b->shape);
    free(b->d);
    free(b->lags);
    if (b->table) gsl_fft_real_wavetable_free(b->table);
    if (b->work) gsl_fft_real_workspace_free(b->work);
}

/* Autocovariance over the window's lags: c(t) = Re[(p e^(q t) - q e^(p t))/(p - q)], p and q the
 * roots of x^2 + (w0/Q) x + w0^2; for Q above 1/2 a decaying cosine. */
static void fill_lags(struct bench *b, double f0, double q)
{
    double w0 = 2 * M_PI * f0, rub = w0 / (2 * q), step = 1 / b->s->rate_hz;
    double complex bend = csqrt(rub * rub - w0 * w0);
    if (cabs(bend) < 1e-6 * w0) bend = 1e-6 * w0; /* critical damping, where both are one */
    double complex p = -rub + bend, o = -rub - bend;
    double complex ep = cexp(p * step), eo = cexp(o * step), tp = -o / (p - o), to = p / (p - o);
    for (size_t i = 0; i < b->s->segment; i++) {
        b->lags[i] = b->s->lag[i] * creal(tp + to);
        tp *= ep;
        to *= eo;
    }
}

/* Unit area: what the average of spectra is expected to be, at the fitted ordinates. */
static void find_shape(struct bench *b, double f0, double q, double *out)
{
    const struct spectrum *s = b->s;
    if (!s->lag || b->pointwise) {
        for (size_t i = 0; i < b->n; i++)
            out[i] = thermal_density(1, f0, q, s->hz[b->first + i]);
        return;
    }
    fill_lags(b, f0, q);
    double zero = b->lags[0];
    gsl_fft_real_transform(b->lags, 1, s->segment, b->table, b->work);
    for (size_t i = 0; i < b->n; i++) {
        size_t k = (size_t)rint(s->hz[b->first + i] / s->step_hz);
        out[i] = 2 / s->rate_hz * (2 * b->lags[2 * k - 1] - zero);
    }
}

/* --- likelihood --- */

static bool fill_model(struct bench *b, const double p[OSC_COUNT])
{
    double f0 = exp(p[OSC_resonance]), area = exp(p[OSC_area]);
    find_shape(b, f0, exp(p[OSC_quality]), b->shape);
    for (size_t i = 0; i < b->n; i++) {
        b->model[i] = area * b->shape[i] + p[OSC_white] +
                      p[OSC_flicker] * f0 / b->s->hz[b->first + i];
        if (!(b->model[i] > 0)) return false;
    }
    return true;
}

/* -2/nu times the logarithm of the likelihood; infinite where the model is no spectrum. */
static double cost(struct bench *b, const double p[OSC_COUNT])
{
    double sum = 0;
    if (!fill_model(b, p)) return INFINITY;
    for (size_t i = 0; i < b->n; i++)
        sum += log(b->model[i]) + b->s->density[b->first + i] / b->model[i];
    return sum;
}

static void one_derivative(struct bench *b, const double p[OSC_COUNT], int which, double step)
{
    double a[2] = {p[OSC_resonance], p[OSC_quality]};
    int at = which == OSC_resonance ? 0 : 1;
    a[at] -= step;
    find_shape(b, exp(a[0]), exp(a[1]), b->low);
    a[at] += 2 * step;
    find_shape(b, exp(a[0]), exp(a[1]), b->high);
    for (size_t i = 0; i < b->n; i++)
        b->d[i][which] = exp(p[OSC_area]) * (b->high[i] - b->low[i]) / (2 * step) / b->model[i];
}

/* After fill_model at p. */
static void fill_derivatives(struct bench *b, const double p[OSC_COUNT])
{
    double f0 = exp(p[OSC_resonance]);
    one_derivative(b, p, OSC_resonance, 1e-3 * fmin(1, exp(-p[OSC_quality])));
    one_derivative(b, p, OSC_quality, 1e-3);
    for (size_t i = 0; i < b->n; i++) {
        double flicker = f0 / b->s->hz[b->first + i];
        b->d[i][OSC_area] = exp(p[OSC_area]) * b->shape[i] / b->model[i];
        b->d[i][OSC_white] = 1 / b->model[i];
        b->d[i][OSC_flicker] = flicker / b->model[i];
        b->d[i][OSC_resonance] += p[OSC_flicker] * flicker / b->model[i];
    }
}

/* Fisher's matrix and gradient, both over nu/2; backgrounds in units of their own size. */
static void normal_equations(const struct bench *b, const double scale[OSC_COUNT],
                             double h[OSC_COUNT][OSC_COUNT], double g[OSC_COUNT])
{
    memset(h, 0, sizeof(double[OSC_COUNT][OSC_COUNT]));
    memset(g, 0, sizeof(double[OSC_COUNT]));
    for (size_t i = 0; i < b->n; i++) {
        double excess = b->s->density[b->first + i] / b->model[i] - 1;
        for (int j = 0; j < OSC_COUNT; j++) {
            double dj = b->d[i][j] * scale[j];
            g[j] += excess * dj;
            for (int k = 0; k <= j; k++)
                h[j][k] += dj * b->d[i][k] * scale[k];
        }
    }
    for (int j = 0; j < OSC_COUNT; j++)
        for (int k = j + 1; k < OSC_COUNT; k++)
            h[j][k] = h[k][j];
}

static bool invert(double h[OSC_COUNT][OSC_COUNT])
{
    gsl_matrix_view m = gsl_matrix_view_array(h[0], OSC_COUNT, OSC_COUNT);
    gsl_error_handler_t *old = gsl_set_error_handler_off();
    bool done = gsl_linalg_cholesky_decomp1(&m.matrix) == 0 &&
                gsl_linalg_cholesky_invert(&m.matrix) == 0;
    gsl_set_error_handler(old);
    for (int i = 0; i < OSC_COUNT; i++)
        for (int j = 0; j < OSC_COUNT; j++)
            done = done && isfinite(h[i][j]);
    return done;
}

/* One step of Fisher's scoring, damped after Marquardt and kept within reason. */
static bool step_from(const double h[OSC_COUNT][OSC_COUNT], const double g[OSC_COUNT], double damp,
                      const double scale[OSC_COUNT], const double p[OSC_COUNT],
                      double out[OSC_COUNT])
{
    double m[OSC_COUNT][OSC_COUNT], most[OSC_COUNT] = {0.7, 0.1, 0.5, 3, 3};
    memcpy(m, h, sizeof m);
    for (int j = 0; j < OSC_COUNT; j++)
        m[j][j] *= 1 + damp;
    if (!invert(m)) return false;
    for (int j = 0; j < OSC_COUNT; j++) {
        double step = 0;
        for (int k = 0; k < OSC_COUNT; k++)
            step += m[j][k] * g[k];
        out[j] = p[j] + scale[j] * fmax(-most[j], fmin(step, most[j]));
    }
    return true;
}

static void scales(const struct bench *b, const double p[OSC_COUNT], double scale[OSC_COUNT])
{
    double sum = 0;
    for (size_t i = 0; i < b->n; i++)
        sum += 1 / b->s->density[b->first + i];
    scale[OSC_area] = scale[OSC_resonance] = scale[OSC_quality] = 1;
    scale[OSC_white] = fmax(fabs(p[OSC_white]), (double)b->n / sum);
    scale[OSC_flicker] = fmax(fabs(p[OSC_flicker]), (double)b->n / sum);
}

/* @return true when it came to rest; the model and derivatives are those of p then */
static bool search(struct bench *b, double p[OSC_COUNT], double *least)
{
    double damp = 1e-3, now = cost(b, p);
    for (int i = 0; i < 100; i++) {
        double scale[OSC_COUNT], h[OSC_COUNT][OSC_COUNT], g[OSC_COUNT], next[OSC_COUNT], then;
        if (!isfinite(now) || !fill_model(b, p)) return false;
        fill_derivatives(b, p);
        scales(b, p, scale);
        normal_equations(b, scale, h, g);
        for (then = INFINITY; damp < 1e9; damp *= 8) {
            if (!step_from((const double(*)[OSC_COUNT])h, g, damp, scale, p, next)) continue;
            then = cost(b, next);
            if (then <= now) break;
        }
        *least = now;
        if (!(then <= now)) return fill_model(b, p); /* no way down but rounding */
        bool rest = now - then < 1e-9;
        memcpy(p, next, sizeof next);
        now = *least = then;
        damp = fmax(damp / 16, 1e-12);
        if (rest) break;
    }
    if (!fill_model(b, p)) return false;
    fill_derivatives(b, p);
    return true;
}

/* --- where to start --- */

/* Ordinates [first, first + n) with frequencies in [low, high]. */
static void take_band(struct bench *b, double low, double high)
{
    const struct spectrum *s = b->s;
    b->first = 0;
    while (b->first < s->n && s->hz[b->first] < low)
        b->first++;
    b->n = 0;
    while (b->first + b->n < s->n && s->hz[b->first + b->n] <= high)
        b->n++;
}

/* Smallest of the means of blocks: the background where it is lowest. */
static double floor_of(const struct bench *b)
{
    size_t width = b->n / 20 > 4 ? b->n / 20 : 4;
    double least = INFINITY;
    for (size_t at = 0; at + width <= b->n; at += width) {
        double sum = 0;
        for (size_t i = 0; i < width; i++)
            sum += b->s->density[b->first + at + i] / (double)width;
        least = fmin(least, sum);
    }
    return least;
}

/* Sums of power above the floor up to each ordinate, into b->low. */
static void fill_sums(struct bench *b, double floor)
{
    double sum = 0;
    for (size_t i = 0; i < b->n; i++)
        b->low[i] = sum += (b->s->density[b->first + i] - floor) * b->s->step_hz;
}

static size_t ordinate_at(const struct bench *b, double f)
{
    double i = (f - b->s->hz[b->first]) / b->s->step_hz;
    return i > 0 ? (size_t)rint(fmin(i, (double)b->n - 1)) : 0;
}

/* Where a line of this quality (one width to either side) holds the most power. */
static double strongest(struct bench *b, double lowest, double highest, double q, double floor,
                        double *most)
{
    double at = NAN;
    *most = 0;
    fill_sums(b, floor);
    for (double f = lowest; f <= highest; f *= 1 + 0.25 / q) {
        double power = b->low[ordinate_at(b, f * (1 + 1 / q))];
        double below = f * (1 - 1 / q);
        if (below > b->s->hz[b->first]) power -= b->low[ordinate_at(b, below)];
        if (power > *most) *most = power, at = f;
    }
    return at;
}

/* Quick search with the density itself from several places; the likeliest wins. */
static bool find_start(struct bench *b, double near_hz, double p[OSC_COUNT])
{
    static const double qualities[] = {1.5, 6, 30, 150, 700};
    double best = INFINITY, floor = floor_of(b), lowest = b->s->hz[b->first];
    double highest = b->s->hz[b->first + b->n - 1];
    bool any = false;
    if (isfinite(near_hz)) lowest = 0.7 * near_hz, highest = fmin(highest, 1.4 * near_hz);
    for (size_t k = 0; k < sizeof qualities / sizeof *qualities; k++) {
        double q = qualities[k], most;
        double at = strongest(b, lowest, highest, q, floor, &most);
        if (isnan(at)) continue;
        double try[OSC_COUNT] = {log(most), log(at), log(q), floor, 1e-3 * floor}, least;
        if (!search(b, try, &least) || exp(try[OSC_resonance]) < 0.7 * lowest ||
            exp(try[OSC_resonance]) > 1.3 * highest || !(least < best))
            continue;
        best = least;
        any = true;
        memcpy(p, try, sizeof try);
    }
    return any;
}

/* --- what the fit says --- */

/* J over (nu/2)^2: neighbours hang together. */
static void score_covariance(const struct bench *b, double j[OSC_COUNT][OSC_COUNT])
{
    memset(j, 0, sizeof(double[OSC_COUNT][OSC_COUNT]));
    for (size_t i = 0; i < b->n; i++)
        for (size_t m = 0; m < SPECTRUM_NEIGHBOURS && i + m < b->n; m++)
            for (int r = 0; r < OSC_COUNT; r++)
                for (int c = 0; c < OSC_COUNT; c++) {
                    double both = b->d[i][r] * b->d[i + m][c];
                    if (m > 0) both += b->d[i + m][r] * b->d[i][c];
                    j[r][c] += b->s->spread[m] * both;
                }
}

static bool find_covariance(const struct bench *b, const double p[OSC_COUNT],
                            struct oscillator *out)
{
    double scale[OSC_COUNT], h[OSC_COUNT][OSC_COUNT], g[OSC_COUNT], j[OSC_COUNT][OSC_COUNT];
    scales(b, p, scale);
    normal_equations(b, scale, h, g);
    if (!invert(h)) return false;
    for (int r = 0; r < OSC_COUNT; r++)
        for (int c = 0; c < OSC_COUNT; c++)
            h[r][c] *= scale[r] * scale[c];
    score_covariance(b, j);
    for (int r = 0; r < OSC_COUNT; r++)
        for (int c = 0; c < OSC_COUNT; c++) {
            double sum = 0;
            for (int k = 0; k < OSC_COUNT; k++)
                for (int l = 0; l < OSC_COUNT; l++)
                    sum += h[r][k] * j[k][l] * h[l][c];
            out->covariance[r][c] = sum;
        }
    return true;
}

static void judge_misfit(const struct bench *b, struct oscillator *out)
{
    double sum = 0, nu = out->degrees_of_freedom, n = (double)b->n;
    for (size_t i = 0; i < b->n; i++) {
        double e = b->s->density[b->first + i] / b->model[i] - 1;
        sum += e * e;
    }
    out->misfit = sum / (n - OSC_COUNT) / b->s->spread[0];
    /* fourth moment of a gamma variable of nu/2; a spread of neighbours makes fewer of them count
     */
    double share = 1;
    for (size_t m = 1; m < SPECTRUM_NEIGHBOURS; m++) {
        double r = b->s->spread[m] / b->s->spread[0];
        share += 2 * r * r;
    }
    out->misfit_score = (out->misfit - 1) / sqrt((2 + 12 / nu) * share / n);
}

/* Everything above the lower end, the resonance and all modes above it, less the backgrounds. */
static void find_whole(const struct bench *b, struct oscillator *out)
{
    const struct spectrum *s = b->s;
    double sum = 0, var = 0;
    for (size_t i = b->first; i < s->n; i++) {
        sum += s->density[i] - out->value[OSC_white] -
               out->value[OSC_flicker] * out->value[OSC_resonance] / s->hz[i];
        for (size_t m = 0; m < SPECTRUM_NEIGHBOURS && i + m < s->n; m++)
            var += (m ? 2 : 1) * s->spread[m] * s->density[i] * s->density[i + m];
    }
    double width = (double)(s->n - b->first);
    out->whole = sum * s->step_hz;
    out->whole_u = s->step_hz *
                   sqrt(var + width * width * fmax(0, out->covariance[OSC_white][OSC_white]));
}

static enum status no_resonance(struct report *rep)
{
    return fail(rep, ST_INPUT,
                "no resonance could be fitted to this spectrum; say near which frequency it is, "
                "check the sampling rate, and that the lever was free and not driven");
}

static enum status run_fit(struct bench *b, const struct oscillator_wish *wish, bool rough,
                           struct oscillator *out, struct report *rep)
{
    const struct spectrum *s = b->s;
    double p[OSC_COUNT], least, top = s->hz[s->n - 1];
    if (s->lag) top *= 0.95; /* the filter before the sampler */
    take_band(b, isfinite(wish->low_hz) ? wish->low_hz : 3 * s->step_hz,
              isfinite(wish->high_hz) ? wish->high_hz : top);
    if (b->n < 24)
        return fail(rep, ST_INPUT, "only %zu points of the spectrum are in the band to be fitted",
                    b->n);
    b->pointwise = true;
    if (!find_start(b, wish->near_hz, p)) return no_resonance(rep);
    double f0 = exp(p[OSC_resonance]);
    out->low_hz = isfinite(wish->low_hz) ? wish->low_hz : fmax(3 * s->step_hz, f0 / 20);
    out->high_hz = isfinite(wish->high_hz) ? wish->high_hz : fmin(3 * f0, top);
    take_band(b, out->low_hz, out->high_hz);
    b->pointwise = rough;
    if (b->n < 24 || !search(b, p, &least)) return no_resonance(rep);
    for (int i = 0; i < OSC_COUNT; i++)
        out->value[i] = i < OSC_white ? exp(p[i]) : p[i];
    out->ordinates = b->n;
    out->degrees_of_freedom = 2 / s->spread[0];
    if (!find_covariance(b, p, out)) return no_resonance(rep);
    judge_misfit(b, out);
    find_whole(b, out);
    return ST_OK;
}

static enum status fit(const struct spectrum *s, const struct oscillator_wish *wish, bool rough,
                       struct oscillator *out, struct report *rep)
{
    struct bench b;
    *out = (struct oscillator){0};
    enum status st = bench_make(&b, s, rep);
    if (st == ST_OK) st = run_fit(&b, wish, rough, out, rep);
    bench_free(&b);
    return st;
}

enum status oscillator_fit(const struct spectrum *s, const struct oscillator_wish *wish,
                           struct oscillator *out, struct report *rep)
{
    return fit(s, wish, false, out, rep);
}

static size_t power_of_two(double least, size_t most)
{
    size_t n = 64;
    while ((double)n < least)
        n *= 2;
    while (n > most)
        n /= 2;
    return n;
}

enum status oscillator_from_records(const struct records *from, const struct oscillator_wish *wish,
                                    struct spectrum *spectrum, struct oscillator *out,
                                    struct report *rep)
{
    enum { SHORTEST = 512, ACROSS = 8 };
    *spectrum = (struct spectrum){0};
    if (from->n < SHORTEST)
        return fail(rep, ST_INPUT, "a record of %zu samples is too short for a thermal spectrum",
                    from->n);
    size_t n = power_of_two(fmin((double)from->n / 8, 16384), from->n);
    enum status st = spectrum_welch(from, n, spectrum, rep);
    if (st == ST_OK) st = fit(spectrum, wish, true, out, rep);
    if (st != ST_OK) return st;
    double width = out->value[OSC_resonance] / fmax(out->value[OSC_quality], 1);
    n = power_of_two(
        fmax(ACROSS * from->rate_hz / width, 64 * from->rate_hz / out->value[OSC_resonance]),
        from->n);
    struct oscillator_wish second = *wish;
    if (isnan(second.near_hz)) second.near_hz = out->value[OSC_resonance];
    spectrum_free(spectrum);
    st = spectrum_welch(from, n, spectrum, rep);
    return st == ST_OK ? fit(spectrum, &second, false, out, rep) : st;
}

enum status oscillator_curve(const struct spectrum *s, const struct oscillator *o, double *density,
                             struct report *rep)
{
    struct bench b;
    enum status st = bench_make(&b, s, rep);
    if (st == ST_OK) {
        find_shape(&b, o->value[OSC_resonance], o->value[OSC_quality], density);
        for (size_t i = 0; i < s->n; i++)
            density[i] = o->value[OSC_area] * density[i] + o->value[OSC_white] +
                         o->value[OSC_flicker] * o->value[OSC_resonance] / s->hz[i];
    }
    bench_free(&b);
    return st;
}
