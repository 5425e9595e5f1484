#include "review/breaks.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_math.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum {
    AROUND = 15,     /* lines on each side that say what is usual here */
    NEAR = 4,        /* lines on each side that say where the surface goes */
    LASTING = 4,     /* lines on each side between which a step must last */
    FEWEST_SIDE = 3, /* lines on each side below which nothing can be said to last */
    FEWEST_COLUMNS = 8,
    FEWEST_STEPS = 12,
    LARGEST_GAP = 3, /* lines without values that a step may bridge, and one */
    APART = 3        /* two changes nearer than this are one */
};
/* A median absolute deviation of n normal values knows their spread as well as a standard deviation
 * of 0.37 n (Huber, section 1.2: efficiency 37 %). */
static const double mad_worth = 0.37, mad_to_sigma = 1.482602218505602;
static const double most_freedom = 11;
/* The largest of several spreads is too large for clean maps: measured (docs/tip-and-drift.md). */
static const double narrower = 1.8;

/* All steps of one channel. */
struct steps {
    double *step;    /* [ny] from the last line with values before to line i, less the local trend;
                        NaN = not known */
    double *trend;   /* [ny] that was taken off, of one line */
    double *score;   /* [ny] over its spread, only as far as it lasts */
    double *spread;  /* [ny] */
    double *lasting; /* [ny] by how much the lines from i on differ from those before */
    double *bridge, *bridge_spread; /* [ny] from the line before i to the line after */
    double *within;                 /* [ny] standard error of the median over the columns */
    size_t *gap;                    /* [ny] lines from there to here */
};

struct search {
    size_t ny, nx, channels;
    struct steps s[BREAK_CHANNELS];
    double *room, *work; /* [max(ny, nx)] each */
    double correlation[BREAK_CHANNELS][BREAK_CHANNELS];
    double freedom;
    double *p; /* [ny] */
};

static double median_of(double *values, size_t n)
{
    return n ? gsl_stats_median(values, 1, n) : (double)NAN;
}

/* Of values that are sorted in place and then lost. */
static double spread_of(double *values, size_t n, double centre)
{
    for (size_t i = 0; i < n; i++)
        values[i] = fabs(values[i] - centre);
    double few = n > 2 ? (double)n / ((double)n - 0.8) : 1;
    return mad_to_sigma * few * median_of(values, n);
}

/* As GSL's quantile of sorted numbers; selects, does not sort. Values change places. */
static double quantile_of(double *values, size_t n, double share)
{
    const double at = share * (double)(n - 1);
    const size_t below = (size_t)at;
    double low = gsl_stats_select(values, 1, n, below), high = low;
    if (below + 1 < n) high = gsl_stats_min(values + below + 1, 1, n - below - 1);
    return (1 - (at - (double)below)) * low + (at - (double)below) * high;
}

/* How well the median of n values along a line is known, whose neighbours resemble each other: half
 * the distance of the order statistics between which it lies with 2.5 standard deviations,
 * over 2.5, for n (1 - r)/(1 + r) independent values, r from the signs of neighbours about the
 * median. Where some columns cross an edge of the sample these reach into them. */
static double error_of_median(const double *inline_values, double *scratch, size_t n, double centre)
{
    const double sure = 2.5;
    double same = 0, r;
    for (size_t i = 0; i + 1 < n; i++)
        same += (inline_values[i] > centre) == (inline_values[i + 1] > centre) ? 1 : -1;
    r = n > 1 ? sin(M_PI / 2 * same / (double)(n - 1)) : 0;
    r = fmin(fmax(r, 0), 0.95);
    double off = fmin(sure / (2 * sqrt((double)n * (1 - r) / (1 + r))), 0.45);
    memcpy(scratch, inline_values, n * sizeof *scratch);
    const double high = quantile_of(scratch, n, 0.5 + off);
    return (high - quantile_of(scratch, n, 0.5 - off)) / (2 * sure);
}

static size_t differences(const double *a, const double *b, size_t nx, double *out)
{
    size_t n = 0;
    for (size_t j = 0; j < nx; j++) {
        double d = b[j] - a[j];
        if (isfinite(d)) out[n++] = d;
    }
    return n;
}

static size_t fewest_columns(size_t nx)
{
    return nx / 4 > FEWEST_COLUMNS ? nx / 4 : FEWEST_COLUMNS;
}

/* From line i - 1 to line i + 1: what a single bad line at i does not make. */
static void measure_bridges(struct search *w, const double *value, struct steps *s)
{
    for (size_t i = 0; i < w->ny; i++) {
        const double *here = value + i * w->nx;
        s->bridge[i] = s->bridge_spread[i] = NAN;
        if (i == 0 || i + 1 == w->ny) continue;
        size_t n = differences(here - w->nx, here + w->nx, w->nx, w->room);
        if (n < fewest_columns(w->nx)) continue;
        memcpy(w->work, w->room, n * sizeof *w->work);
        double step = median_of(w->work, n);
        s->bridge_spread[i] = error_of_median(w->room, w->work, n, step);
        s->bridge[i] = step - 2 * s->trend[i];
    }
}

/* Steps between lines with values; `within` is not yet against the trend, which is the same for all
 * columns. */
static void measure_steps(struct search *w, const double *value, struct steps *s)
{
    for (size_t i = 0; i < w->ny; i++) {
        s->step[i] = s->within[i] = NAN;
        s->gap[i] = 1;
        for (size_t gap = 1; gap <= LARGEST_GAP && gap <= i && isnan(s->step[i]); gap++) {
            const double *here = value + i * w->nx;
            size_t n = differences(here - gap * w->nx, here, w->nx, w->room);
            if (n < fewest_columns(w->nx)) continue;
            memcpy(w->work, w->room, n * sizeof *w->work);
            s->step[i] = median_of(w->work, n);
            s->within[i] = error_of_median(w->room, w->work, n, s->step[i]);
            s->gap[i] = gap;
        }
    }
}

/* Steps of the lines near i, each for one line, not i itself. @return how many */
static size_t gather_steps(const struct steps *s, size_t ny, size_t i, size_t around, double *out)
{
    size_t n = 0;
    size_t first = i > around ? i - around : 0, last = i + around < ny ? i + around : ny - 1;
    for (size_t k = first; k <= last; k++)
        if (k != i && !isnan(s->step[k])) out[n++] = s->step[k] / (double)s->gap[k];
    return n;
}

static void take_trend_off(struct search *w, struct steps *s)
{
    for (size_t i = 0; i < w->ny; i++) {
        size_t n = gather_steps(s, w->ny, i, NEAR, w->room);
        s->trend[i] = median_of(w->room, n);
    }
    for (size_t i = 0; i < w->ny; i++)
        s->step[i] -= s->trend[i] * (double)s->gap[i];
}

/* A spread that neither one change nor one bad line widens: the larger of what the middle and what
 * the tenth of the largest say. Values are lost. */
static double robust_spread(double *values, size_t n)
{
    double middle = spread_of(values, n, 0); /* leaves absolute values */
    return n ? fmax(middle, quantile_of(values, n, 0.9) / 1.645) : 0;
}

static size_t gather(const double *from, size_t n, double *out)
{
    size_t kept = 0;
    for (size_t i = 0; i < n; i++)
        if (!isnan(from[i])) out[kept++] = from[i];
    return kept;
}

static void find_spreads(struct search *w, struct steps *s, double floor)
{
    size_t n = gather_steps(s, w->ny, w->ny, w->ny, w->room);
    double overall = robust_spread(w->room, n);
    for (size_t i = 0; i < w->ny; i++) {
        n = gather_steps(s, w->ny, i, AROUND, w->room);
        double gap = (double)s->gap[i], local = spread_of(w->room, n, 0);
        double across = gap * fmax(overall, n >= FEWEST_STEPS ? local : 0);
        s->spread[i] = fmax(fmax(across, s->within[i]), floor / 3);
    }
    n = gather(s->bridge, w->ny, w->room);
    overall = fmax(robust_spread(w->room, n), floor / 3);
    for (size_t i = 0; i < w->ny; i++)
        if (!isnan(s->bridge[i])) s->bridge_spread[i] = fmax(s->bridge_spread[i], overall);
}

/* The median of up to LASTING lines of one column, from line `first` on. */
static double column_median(const double *value, size_t nx, size_t column, size_t first, size_t n)
{
    double kept[LASTING]; /* ascending */
    size_t m = 0;
    for (size_t k = 0; k < n; k++) {
        const double v = value[(first + k) * nx + column];
        size_t at = m;
        if (!isfinite(v)) continue;
        for (m++; at > 0 && kept[at - 1] > v; at--)
            kept[at] = kept[at - 1];
        kept[at] = v;
    }
    return 2 * m > n ? 0.5 * (kept[(m - 1) / 2] + kept[m / 2]) : (double)NAN;
}

/* By how much the lines from i on differ from those before, less the trend; NaN = not known. */
static double lasting_step(struct search *w, const double *value, const struct steps *s, size_t i)
{
    size_t start = i + 1 - s->gap[i]; /* lines without values belong to neither side */
    size_t before = start < LASTING ? start : LASTING;
    size_t after = w->ny - i < LASTING ? w->ny - i : LASTING, n = 0;
    if (before < FEWEST_SIDE || after < FEWEST_SIDE) return NAN;
    for (size_t j = 0; j < w->nx; j++) {
        double d = column_median(value, w->nx, j, i, after) -
                   column_median(value, w->nx, j, start - before, before);
        if (isfinite(d)) w->room[n++] = d;
    }
    double apart = (double)(i - start) + 0.5 * (double)(before + after);
    return n < fewest_columns(w->nx) ? (double)NAN : median_of(w->room, n) - apart * s->trend[i];
}

/* The smaller of a score so far and another look at the same step; a look with the other sign makes
 * it none, an unknown one leaves it. */
static double also(double score, double step, double spread)
{
    if (isnan(step)) return score;
    return score * step > 0 ? copysign(fmin(fabs(score), fabs(step) / spread), score) : 0;
}

/* A step over its spread, as far as it is also seen across the line on either side, and between
 * four lines on each side. The last has only to agree: half as certain is enough. */
static void score_steps(struct search *w, const double *value, struct steps *s, double floor)
{
    for (size_t i = 0; i < w->ny; i++)
        s->lasting[i] = isnan(s->step[i]) ? (double)NAN : lasting_step(w, value, s, i);
    double usual = fmax(spread_of(w->room, gather(s->lasting, w->ny, w->room), 0), floor / 3);
    for (size_t i = 0; i < w->ny; i++) {
        double step = s->step[i], lasting = s->lasting[i];
        s->score[i] = 0;
        if (isnan(lasting)) {
            s->step[i] = s->score[i] = NAN;
        } else if (fmin(fabs(step), fabs(lasting)) > floor) {
            s->score[i] = also(step / s->spread[i], lasting, s->spread[i]);
            s->score[i] = also(s->score[i], lasting, usual / 2);
            s->score[i] = also(s->score[i], s->bridge[i], s->bridge_spread[i]);
            if (i > 0) s->score[i] = also(s->score[i], s->bridge[i - 1], s->bridge_spread[i - 1]);
            s->score[i] *= narrower;
        }
    }
}

/* Correlation of two channels' steps from their signs alone. */
static double sign_correlation(const struct steps *a, const struct steps *b, size_t ny)
{
    double sum = 0, n = 0;
    for (size_t i = 0; i < ny; i++) {
        double product = a->step[i] * b->step[i];
        if (isnan(product) || product == 0) continue;
        sum += product > 0 ? 1 : -1;
        n++;
    }
    return n > 0 ? 0.9 * sin(M_PI / 2 * sum / n) : 0; /* 0.9: never singular for two channels */
}

/* Cholesky of the correlation of the channels that are there, and the length of the whitened score.
 */
static double joint_square(const struct search *w, size_t i, size_t *there)
{
    double l[BREAK_CHANNELS][BREAK_CHANNELS] = {{0}}, y[BREAK_CHANNELS], sum = 0;
    size_t of[BREAK_CHANNELS], n = 0;
    for (size_t c = 0; c < w->channels; c++)
        if (!isnan(w->s[c].step[i])) of[n++] = c;
    for (size_t a = 0; a < n; a++) {
        y[a] = w->s[of[a]].score[i];
        for (size_t b = 0; b <= a; b++) {
            double v = w->correlation[of[a]][of[b]];
            for (size_t k = 0; k < b; k++)
                v -= l[a][k] * l[b][k];
            l[a][b] = a == b ? sqrt(fmax(v, 0.05)) : v / l[b][b];
        }
        for (size_t k = 0; k < a; k++)
            y[a] -= l[a][k] * y[k];
        y[a] /= l[a][a];
        sum += y[a] * y[a];
    }
    *there = n;
    return sum;
}

static size_t judge_lines(struct search *w)
{
    size_t judged = 0;
    for (size_t a = 0; a < w->channels; a++)
        for (size_t b = 0; b < w->channels; b++)
            w->correlation[a][b] = a == b ? 1 : sign_correlation(&w->s[a], &w->s[b], w->ny);
    for (size_t i = 0; i < w->ny; i++) {
        size_t there;
        double square = joint_square(w, i, &there);
        w->p[i] = there ? gsl_cdf_fdist_Q(square / (double)there, (double)there, w->freedom) : NAN;
        judged += there > 0;
    }
    return judged;
}

static void fill_found(const struct search *w, size_t line, double p_map, struct break_found *f)
{
    double reach = gsl_cdf_tdist_Pinv(0.975, w->freedom);
    *f = (struct break_found){.line = line, .p_line = w->p[line], .p = p_map};
    for (size_t c = 0; c < BREAK_CHANNELS; c++) {
        bool known = c < w->channels && !isnan(w->s[c].step[line]);
        double half = known ? reach * w->s[c].spread[line] : 0;
        f->step[c] = known ? w->s[c].step[line] : (double)NAN;
        f->low[c] = f->step[c] - half;
        f->high[c] = f->step[c] + half;
    }
}

/* The most certain change first; lines next to it are the same change. */
static void pick(struct search *w, struct breaks *out)
{
    for (bool first = true;; first = false) {
        size_t best = w->ny;
        for (size_t i = 0; i < w->ny; i++)
            if (!isnan(w->p[i]) && (best == w->ny || w->p[i] < w->p[best])) best = i;
        if (best == w->ny) return;
        double p_map = -expm1((double)out->steps * log1p(-fmin(w->p[best], 1 - 1e-16)));
        if (first) out->smallest_p = p_map;
        if (!(p_map <= out->level) || out->n == BREAKS_MOST) return;
        size_t at = out->n++;
        for (; at > 0 && out->at[at - 1].line > best; at--)
            out->at[at] = out->at[at - 1];
        fill_found(w, best, p_map, &out->at[at]);
        for (size_t i = 0; i < w->ny; i++)
            if (i + APART > best && i < best + APART) w->p[i] = NAN;
    }
}

static enum status make_room(struct search *w, double **all, struct report *rep)
{
    const size_t longest = w->ny > w->nx ? w->ny : w->nx;
    double *at = *all = malloc((8 * BREAK_CHANNELS * w->ny + w->ny + 2 * longest) * sizeof *at);
    size_t *gaps = malloc(BREAK_CHANNELS * w->ny * sizeof *gaps);
    for (size_t c = 0; c < BREAK_CHANNELS && at && gaps; c++) {
        struct steps *s = &w->s[c];
        double **parts[] = {&s->step,   &s->trend,   &s->score,  &s->spread,
                            &s->within, &s->lasting, &s->bridge, &s->bridge_spread};
        for (size_t k = 0; k < sizeof parts / sizeof *parts; k++, at += w->ny)
            *parts[k] = at;
        s->gap = gaps + c * w->ny;
    }
    w->s[0].gap = gaps; /* freed by this name */
    if (!*all || !gaps) return fail(rep, ST_MEMORY, "not enough memory to look for tip changes");
    w->p = at;
    w->room = at + w->ny;
    w->work = w->room + longest;
    return ST_OK;
}

enum status breaks_find(const struct break_channel *channels, size_t n_channels, size_t ny,
                        size_t nx, double level, struct breaks *out, struct report *rep)
{
    struct search w = {.ny = ny, .nx = nx, .channels = n_channels};
    double *all = NULL;
    *out = (struct breaks){.level = level, .smallest_p = NAN};
    if (ny < FEWEST_STEPS || nx < FEWEST_COLUMNS) return ST_OK;
    enum status st = make_room(&w, &all, rep);
    if (st != ST_OK) goto done;
    w.freedom = fmin(most_freedom, mad_worth * (double)ny);
    for (size_t c = 0; c < n_channels; c++) {
        measure_steps(&w, channels[c].value, &w.s[c]);
        take_trend_off(&w, &w.s[c]);
        measure_bridges(&w, channels[c].value, &w.s[c]);
        find_spreads(&w, &w.s[c], channels[c].floor);
        score_steps(&w, channels[c].value, &w.s[c], channels[c].floor);
    }
    out->steps = judge_lines(&w);
    out->judged = out->steps >= FEWEST_STEPS - 2 * FEWEST_SIDE + 1;
    if (out->judged) pick(&w, out);
done:
    free(w.s[0].gap);
    free(all);
    return st;
}
