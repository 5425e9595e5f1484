#include "base/units.h"
#include "figure/figure.h"
#include "figure/page.h"
#include "figure/palette.h"
#include "figure/raster.h"
#include "figure/ticks.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Sizes in points. */
#define PAD 10.0
#define LEFT 56.0
#define BELOW 40.0
#define PLOT_WIDTH 330.0
#define PLOT_HEIGHT 205.0
#define GAP 62.0
#define MAP_SIDE 205.0
#define HEAD_PT 11.0
#define TEXT_PT 8.5

enum { CURVE_POINTS = 600, BINS_LEAST = 15, BINS_MOST = 140 };

/* The histogram over t = log10(value). */
struct bars {
    double low, high; /* of the axis, t */
    double factor;    /* SI value / factor = number on the axis */
    const char *prefix;
    size_t bins, outside, count[BINS_MOST];
    double top;
};

static double quantile(const struct figure_distribution *d, double level)
{
    double at = level * (double)(d->n - 1);
    size_t i = (size_t)at;
    double next = d->value[i + 1 < d->n ? i + 1 : i];
    return d->value[i] + (at - (double)i) * (next - d->value[i]);
}

static void find_range(const struct figure_distribution *d, struct bars *b)
{
    double low = log10(quantile(d, 0.001)), high = log10(quantile(d, 0.999));
    double margin = fmax(0.08 * (high - low), 0.02);
    b->low = low - margin;
    b->high = high + margin;
    b->prefix = strcmp(d->si_unit, "1") ? units_prefix(quantile(d, 0.5), d->si_unit, &b->factor)
                                        : "";
    if (!*b->prefix) b->factor = 1;
}

/* Width by D. Freedman and P. Diaconis, Z. Wahrscheinlichkeitstheorie 57 (1981) 453, within limits
 * that a page can show. */
static void count_bars(const struct figure_distribution *d, struct bars *b)
{
    double spread = log10(quantile(d, 0.75) / quantile(d, 0.25));
    double width = 2 * spread / cbrt((double)d->n);
    for (int j = 0; j < d->k; j++) /* where phases lie apart, the quartiles say nothing of them */
        if (d->weight[j] > 0.1) width = fmin(width, 0.7 * d->sd[j] / log(10));
    double wanted = (b->high - b->low) / fmax(width, 1e-9);
    b->bins = (size_t)fmin(fmax(wanted, BINS_LEAST), BINS_MOST);
    for (size_t i = 0; i < d->n; i++) {
        double at = (log10(d->value[i]) - b->low) / (b->high - b->low) * (double)b->bins;
        if (at >= 0 && at < (double)b->bins)
            b->count[(size_t)at]++;
        else
            b->outside++;
    }
    for (size_t i = 0; i < b->bins; i++)
        b->top = fmax(b->top, (double)b->count[i]);
}

/* Pixels a bin at t that component j (or all: j < 0) says. */
static double curve_at(const struct figure_distribution *d, const struct bars *b, int j, double t)
{
    double sum = 0, width = (b->high - b->low) / (double)b->bins * log(10);
    for (int i = 0; i < d->k; i++) {
        double z = (t * log(10) - d->mean[i]) / d->sd[i];
        if (j < 0 || i == j)
            sum += d->weight[i] * exp(-z * z / 2) / (d->sd[i] * sqrt(2 * acos(-1)));
    }
    return sum * width * (double)d->n;
}

/* Columns of curves.txt: t, all, then each component. */
static enum status write_curves(const struct gnuplot_run *run, const struct figure_distribution *d,
                                struct bars *b, struct report *rep)
{
    FILE *f = NULL;
    enum status st = gnuplot_open(run, "curves.txt", &f, rep);
    if (st != ST_OK) return st;
    for (int i = 0; i < CURVE_POINTS; i++) {
        double t = b->low + (b->high - b->low) * i / (CURVE_POINTS - 1);
        double all = curve_at(d, b, -1, t);
        b->top = fmax(b->top, all);
        fprintf(f, "%.9g %.9g", t, all);
        for (int j = 0; j < d->k; j++)
            fprintf(f, " %.9g", curve_at(d, b, j, t));
        fputc('\n', f);
    }
    return gnuplot_close(&f, rep);
}

static enum status write_bars(const struct gnuplot_run *run, const struct bars *b,
                              struct report *rep)
{
    FILE *f = NULL;
    double width = (b->high - b->low) / (double)b->bins;
    enum status st = gnuplot_open(run, "bars.txt", &f, rep);
    if (st != ST_OK) return st;
    for (size_t i = 0; i < b->bins; i++)
        fprintf(f, "%.9g %zu %.9g\n", b->low + ((double)i + 0.5) * width, b->count[i], width);
    return gnuplot_close(&f, rep);
}

static void set_ticks(FILE *out, const struct bars *b)
{
    struct ticks ticks;
    ticks_make(&ticks, pow(10, b->low) / b->factor, pow(10, b->high) / b->factor, true, 7);
    fprintf(out, "set xtics nomirror (");
    for (size_t i = 0; i < ticks.n; i++)
        fprintf(out, "%s'%s' %.9g %d", i ? ", " : "", ticks.tick[i].label,
                log10(ticks.tick[i].value * b->factor), ticks.tick[i].major ? 0 : 1);
    fprintf(out, ")\n");
}

static void draw_median(FILE *out, const struct figure_distribution *d)
{
    const double at[3] = {d->low, d->median, d->high};
    for (int i = 0; i < 3; i++)
        if (at[i] > 0)
            fprintf(out,
                    "set arrow from %.9g,graph 0 to %.9g,graph 1 nohead lc rgb 'black' %s front\n",
                    log10(at[i]), log10(at[i]), i == 1 ? "lw 0.9" : "lw 0.6 dt (6,4)");
}

static void plot_curves(FILE *out, const struct figure_distribution *d)
{
    for (int j = 0; j < d->k && d->k > 1; j++)
        fprintf(out, ", 'curves.txt' using 1:%d with lines lw 1.4 lc rgb '#%06x' title 'phase %d'",
                j + 3, palette_series(j + 1), j + 1);
    if (d->k > 0)
        fprintf(out, ", 'curves.txt' using 1:2 with lines lw 1 lc rgb 'black' title '%s'",
                d->k > 1 ? "sum" : "log-normal");
}

static enum status plot_histogram(struct gnuplot_run *run, const struct figure_distribution *d,
                                  struct frame f, struct bars *b, struct report *rep)
{
    FILE *out = run->script;
    char label[512];
    enum status st = write_bars(run, b, rep);
    if (st == ST_OK) st = write_curves(run, d, b, rep);
    if (st != ST_OK) return st;
    page_frame(run, f);
    text_axis(d->label, b->prefix, d->si_unit, label, sizeof label);
    fprintf(out, "set xrange [%.9g:%.9g]\nset yrange [0:%.9g]\n", b->low, b->high, 1.12 * b->top);
    fprintf(out, "set ytics nomirror %.9g\n", ticks_step(1.12 * b->top, 5));
    set_ticks(out, b);
    draw_median(out, d);
    page_text(run, label, f.left + f.width / 2, f.top + f.height + 27, GNUPLOT_FONT_PT, "center");
    page_upright(run, "pixels a bin", f.left - LEFT + 12, f.top + f.height / 2, f.height,
                 GNUPLOT_FONT_PT);
    fprintf(out, "set key top right Left reverse samplen 1.6 spacing 1.05 font ',8' opaque\n");
    fprintf(out, "plot 'bars.txt' using 1:2:3 with boxes fs solid noborder lc rgb '#c8c8c8' "
                 "notitle");
    plot_curves(out, d);
    fprintf(out, "\nunset label\nunset arrow\nunset key\n");
    return ST_OK;
}

static enum status write_phases(const struct gnuplot_run *run, const struct figure_distribution *d,
                                const struct raster_axis *x, const struct raster_axis *y,
                                struct report *rep)
{
    FILE *f = NULL;
    enum status st = gnuplot_open(run, "phases.rgb", &f, rep);
    if (st != ST_OK) return st;
    for (size_t j = 0; j < y->n; j++)
        for (size_t i = 0; i < x->n; i++) {
            uint8_t phase = d->phase[y->from[j] * d->nx + x->from[i]];
            uint32_t rgb = phase ? palette_series(phase) : COLOUR_REJECTED;
            fprintf(f, "%c%c%c", (int)(rgb >> 16 & 255), (int)(rgb >> 8 & 255), (int)(rgb & 255));
        }
    return gnuplot_close(&f, rep);
}

static enum status plot_map(struct gnuplot_run *run, const struct figure_distribution *d,
                            const struct raster_axis *x, const struct raster_axis *y,
                            struct frame f, struct report *rep)
{
    FILE *out = run->script;
    double x0 = 1e6 * x->low_m, x1 = 1e6 * x->high_m, dx = (x1 - x0) / (double)x->n;
    double y0 = 1e6 * y->low_m, y1 = 1e6 * y->high_m, dy = (y1 - y0) / (double)y->n;
    enum status st = write_phases(run, d, x, y, rep);
    if (st != ST_OK) return st;
    page_frame(run, f);
    fprintf(out, "set xrange [%.12g:%.12g]\nset yrange [%.12g:%.12g]\n", x0, x1, y0, y1);
    fprintf(out, "set xtics nomirror %.12g\nset ytics nomirror %.12g\n",
            ticks_step(x1 - x0, fmax(1.5, f.width / 42)),
            ticks_step(y1 - y0, fmax(1.5, f.height / 36)));
    page_text(run, "x (\u00b5m)", f.left + f.width / 2, f.top + f.height + 27, GNUPLOT_FONT_PT,
              "center");
    page_text(run, "y (\u00b5m)", f.left - 36, f.top + f.height / 2, GNUPLOT_FONT_PT,
              "center rotate by 90");
    fprintf(out,
            "plot 'phases.rgb' binary array=(%zu,%zu) dx=%.12g dy=%.12g origin=(%.12g,%.12g) "
            "format='%%uchar' using 1:2:3 with rgbimage notitle\nunset label\n",
            x->n, y->n, dx, dy, x0 + dx / 2, y0 + dy / 2);
    return ST_OK;
}

/* The map keeps its aspect, within a square. */
static struct frame map_frame(const struct raster_axis *x, const struct raster_axis *y, double top)
{
    double aspect = (x->high_m - x->low_m) / (y->high_m - y->low_m);
    aspect = fmin(fmax(aspect, 0.1), 10);
    double width = aspect > 1 ? MAP_SIDE : MAP_SIDE * aspect;
    double height = aspect > 1 ? MAP_SIDE / aspect : MAP_SIDE;
    return (struct frame){PAD + LEFT + PLOT_WIDTH + GAP, top + (PLOT_HEIGHT - height) / 2, width,
                          height};
}

static enum status draw(const struct figure_distribution *d, const struct raster_axis *x,
                        const struct raster_axis *y, const char *path, struct report *rep)
{
    struct gnuplot_run run;
    struct text_lines head, words;
    struct bars bars = {0};
    double width = PAD + LEFT + PLOT_WIDTH + (d->phase ? GAP + MAP_SIDE : 0) + 2 * PAD;
    text_wrap(&head, d->title ? d->title : "", width - 2 * PAD, HEAD_PT);
    text_wrap(&words, d->text ? d->text : "", width - 2 * PAD, TEXT_PT);
    find_range(d, &bars);
    count_bars(d, &bars);
    double top = PAD + (double)head.n * page_leading(HEAD_PT) + 8;
    double height = top + PLOT_HEIGHT + BELOW + (double)words.n * page_leading(TEXT_PT) + PAD;
    enum status st = gnuplot_begin(&run, path, width, height, rep);
    if (st != ST_OK) return st;
    page_style(&run);
    page_lines(&run, &head, PAD, PAD, HEAD_PT);
    page_lines(&run, &words, PAD, top + PLOT_HEIGHT + BELOW, TEXT_PT);
    st = plot_histogram(&run, d, (struct frame){PAD + LEFT, top, PLOT_WIDTH, PLOT_HEIGHT}, &bars,
                        rep);
    if (st == ST_OK && d->phase) st = plot_map(&run, d, x, y, map_frame(x, y, top), rep);
    if (st == ST_OK) return gnuplot_finish(&run, rep);
    gnuplot_drop(&run);
    return st;
}

enum status figure_distribution(const struct figure_distribution *d, const char *path,
                                struct report *rep)
{
    struct raster_axis x = {0}, y = {0};
    enum status st = ST_OK;
    if (d->n == 0) return fail(rep, ST_USAGE, "%s: no value to draw", path);
    double lone_x = d->phase && d->ny > 1 ? d->y_m[1] - d->y_m[0] : 1e-6;
    double lone_y = d->phase && d->nx > 1 ? d->x_m[1] - d->x_m[0] : 1e-6;
    if (d->phase) st = raster_axis_make(&x, d->x_m, d->nx, lone_x, rep);
    if (st == ST_OK && d->phase) st = raster_axis_make(&y, d->y_m, d->ny, lone_y, rep);
    if (st == ST_OK) st = draw(d, &x, &y, path, rep);
    raster_axis_free(&x);
    raster_axis_free(&y);
    return st;
}
