#include "figure/figure.h"
#include "figure/page.h"
#include "figure/palette.h"
#include "figure/ticks.h"

#include <math.h>

/* Sizes in points. */
#define PANEL_WIDTH 330.0
#define PANEL_HEIGHT 150.0
#define PANEL_LEFT 52.0  /* room for y ticks and label */
#define PANEL_BELOW 38.0 /* room for x ticks and label */
#define PANEL_ABOVE 17.0 /* room for the panel's title */
#define TEXT_GAP 18.0
#define TEXT_WIDTH 245.0
#define PAD 10.0
#define HEAD_PT 11.0
#define TEXT_PT 8.5

/* What the axes of a panel must hold. */
struct extent {
    double x0, x1, y0, y1;
};

static bool is_drawn(const struct figure_series *s, size_t i)
{
    return isfinite(s->x[i]) && isfinite(s->y[i]);
}

static void widen(double *low, double *high, double share)
{
    if (!(*low <= *high)) *low = 0, *high = 1;
    double margin = share * (*high - *low);
    if (!(margin > 1e-12 * fmax(fabs(*low), fabs(*high))))
        margin = *low != 0 ? 0.1 * fabs(*low) : 1;
    *low -= margin;
    *high += margin;
}

static struct extent panel_extent(const struct figure_panel *p)
{
    struct extent e = {INFINITY, -INFINITY, INFINITY, -INFINITY};
    for (size_t k = 0; k < p->n_series; k++)
        for (size_t i = 0; i < p->series[k].n; i++) {
            if (!is_drawn(&p->series[k], i)) continue;
            e.x0 = fmin(e.x0, p->series[k].x[i]);
            e.x1 = fmax(e.x1, p->series[k].x[i]);
            e.y0 = fmin(e.y0, p->series[k].y[i]);
            e.y1 = fmax(e.y1, p->series[k].y[i]);
        }
    widen(&e.x0, &e.x1, 0.03);
    widen(&e.y0, &e.y1, 0.08);
    return e;
}

/* The corner with the fewest points takes the key. */
static const char *key_corner(const struct figure_panel *p, struct extent e)
{
    static const char *const corner[] = {"bottom left", "bottom right", "top left", "top right"};
    size_t points[4] = {0, 0, 0, 0};
    int best = 3;
    for (size_t k = 0; k < p->n_series; k++)
        for (size_t i = 0; i < p->series[k].n; i++) {
            if (!is_drawn(&p->series[k], i)) continue;
            double x = (p->series[k].x[i] - e.x0) / (e.x1 - e.x0);
            double y = (p->series[k].y[i] - e.y0) / (e.y1 - e.y0);
            if ((x < 0.45 || x > 0.55) && (y < 0.45 || y > 0.55))
                points[(y > 0.5) * 2 + (x > 0.5)]++;
        }
    for (int c = 3; c >= 0; c--)
        if (points[c] < points[best]) best = c;
    return corner[best];
}

static enum status write_series(const struct gnuplot_run *run, size_t panel, size_t k,
                                const struct figure_series *s, struct report *rep)
{
    char name[64];
    FILE *f = NULL;
    snprintf(name, sizeof name, "panel%zu_%zu.txt", panel, k);
    enum status st = gnuplot_open(run, name, &f, rep);
    if (st != ST_OK) return st;
    for (size_t i = 0; i < s->n; i++) {
        if (is_drawn(s, i))
            fprintf(f, "%.9g %.9g\n", s->x[i], s->y[i]);
        else
            fputc('\n', f); /* a blank line breaks a line */
    }
    return gnuplot_close(&f, rep);
}

static bool has_points(const struct figure_series *s)
{
    for (size_t i = 0; i < s->n; i++)
        if (is_drawn(s, i)) return true;
    return false;
}

static bool shows_anything(const struct figure_panel *p)
{
    for (size_t k = 0; k < p->n_series; k++)
        if (has_points(&p->series[k])) return true;
    return false;
}

static void plot_one(FILE *out, size_t panel, size_t k, const struct figure_series *s)
{
    static const char *const looks[] = {"points pt 7 ps 0.16", "lines lw 1.2",
                                        "lines lw 1 dt (6,4)", "points pt 7 ps 0.7"};
    const char *look = looks[s->style < 0 || s->style > 3 ? 0 : s->style];
    uint32_t rgb = palette_series(s->colour);
    fprintf(out, ", 'panel%zu_%zu.txt' using 1:2 with %s lc rgb '#%06x' notitle", panel, k, look,
            rgb);
    if (!s->name) return;
    /* The dots of a curve are too small to show a colour, so the key has a larger one. */
    fprintf(out, ", NaN with %s lc rgb '#%06x' title ", s->style == 0 ? "points pt 7 ps 0.5" : look,
            rgb);
    text_quote(out, s->name);
}

static enum status plot_panel(struct gnuplot_run *run, const struct figure_panel *p, size_t index,
                              struct frame f, struct report *rep)
{
    FILE *out = run->script;
    enum status st = ST_OK;
    struct extent e = panel_extent(p);
    page_frame(run, f);
    fprintf(out, "set xrange [%.12g:%.12g]\nset yrange [%.12g:%.12g]\n", e.x0, e.x1, e.y0, e.y1);
    fprintf(out, "set xtics nomirror %.9g\nset ytics nomirror %.9g\n", ticks_step(e.x1 - e.x0, 7),
            ticks_step(e.y1 - e.y0, 5));
    fprintf(out, "set key %s Left reverse samplen 1.6 spacing 1.05 font ',8' opaque\n",
            key_corner(p, e));
    page_text(run, p->title ? p->title : "", f.left, f.top - PANEL_ABOVE / 2, GNUPLOT_FONT_PT,
              "left");
    page_text(run, p->x_label ? p->x_label : "", f.left + f.width / 2, f.top + f.height + 25,
              GNUPLOT_FONT_PT, "center");
    page_upright(run, p->y_label ? p->y_label : "", f.left - PANEL_LEFT + 8, f.top + f.height / 2,
                 f.height + PANEL_ABOVE, GNUPLOT_FONT_PT);
    for (size_t k = 0; k < p->n_series && st == ST_OK; k++)
        st = write_series(run, index, k, &p->series[k], rep);
    if (!shows_anything(p)) {
        fprintf(out, "unset xtics\nunset ytics\n");
        page_text(run, "nothing to show", f.left + f.width / 2, f.top + f.height / 2,
                  GNUPLOT_FONT_PT, "center");
    }
    fprintf(out, "plot NaN notitle");
    for (size_t k = 0; k < p->n_series; k++)
        if (has_points(&p->series[k])) plot_one(out, index, k, &p->series[k]);
    fprintf(out, "\nunset label\n");
    return st;
}

enum status figure_panels(const char *title, const struct figure_panel *panels, size_t n,
                          const char *text, const char *path, struct report *rep)
{
    struct gnuplot_run run;
    struct text_lines head, words;
    const double panel = PANEL_ABOVE + PANEL_HEIGHT + PANEL_BELOW;
    double width = PANEL_LEFT + PANEL_WIDTH + TEXT_GAP + TEXT_WIDTH + 2 * PAD;
    if (n == 0) return fail(rep, ST_USAGE, "%s: no curve to draw", path);
    text_wrap(&head, title ? title : "", width - 2 * PAD, HEAD_PT);
    text_wrap(&words, text ? text : "", TEXT_WIDTH, TEXT_PT);
    double top = PAD + (double)head.n * page_leading(HEAD_PT) + 4;
    double height = fmax(panel * (double)n, PANEL_ABOVE + (double)words.n * page_leading(TEXT_PT));
    enum status st = gnuplot_begin(&run, path, width, top + height + PAD, rep);
    if (st != ST_OK) return st;
    page_style(&run);
    page_lines(&run, &head, PAD, PAD, HEAD_PT);
    page_lines(&run, &words, PAD + PANEL_LEFT + PANEL_WIDTH + TEXT_GAP, top + PANEL_ABOVE, TEXT_PT);
    for (size_t i = 0; i < n && st == ST_OK; i++, top += panel) {
        struct frame f = {PAD + PANEL_LEFT, top + PANEL_ABOVE, PANEL_WIDTH, PANEL_HEIGHT};
        st = plot_panel(&run, &panels[i], i, f, rep);
    }
    if (st == ST_OK) return gnuplot_finish(&run, rep);
    gnuplot_drop(&run);
    return st;
}
