#include "figure/cell.h"
#include "figure/figure.h"
#include "figure/page.h"
#include "figure/palette.h"
#include "figure/ticks.h"

#include <math.h>
#include <stdlib.h>

#define HEAD_PT 12.0    /* size of letters of the title of all */
#define OVERFLOW_T 0.06 /* height of the bar's pointed ends, part of the colour range */

static enum status write_raster(const struct gnuplot_run *run, const struct cell *c,
                                struct report *rep)
{
    char name[32];
    FILE *f = NULL;
    snprintf(name, sizeof name, "map%zu.rgb", c->index);
    enum status st = gnuplot_open(run, name, &f, rep);
    if (st != ST_OK) return st;
    raster_write(f, c->map, &c->scale, &c->x, &c->y);
    return gnuplot_close(&f, rep);
}

/* Columns: x and y of the pixel in um, colour that is seen on it. */
static enum status write_dots(const struct gnuplot_run *run, const struct cell *c,
                              struct report *rep)
{
    char name[32];
    FILE *f = NULL;
    snprintf(name, sizeof name, "dots%zu.txt", c->index);
    enum status st = gnuplot_open(run, name, &f, rep);
    if (st != ST_OK) return st;
    for (size_t i = 0; i < c->map->ny * c->map->nx; i++) {
        if (scale_look(c->map, i) != LOOK_DOUBTFUL) continue;
        uint32_t under = palette_map(scale_place(&c->scale, c->map->value[i]));
        fprintf(f, "%.9g %.9g %d\n", 1e6 * c->map->x_m[i % c->map->nx],
                1e6 * c->map->y_m[i / c->map->nx], palette_is_light(under) ? 0 : 0xffffff);
    }
    return gnuplot_close(&f, rep);
}

/* Columns: count/2, middle, 0, count, lower, upper place on the colour axis, colour. */
static enum status write_bins(const struct gnuplot_run *run, const struct cell *c,
                              struct report *rep)
{
    const struct value_scale *s = &c->scale;
    char name[32];
    FILE *f = NULL;
    snprintf(name, sizeof name, "bins%zu.txt", c->index);
    enum status st = gnuplot_open(run, name, &f, rep);
    if (st != ST_OK) return st;
    for (size_t i = 0; i < s->bins + 2; i++) {
        double step = 1.0 / (double)s->bins, low = ((double)i - 1) * step, high = low + step;
        size_t count = i == 0 ? s->below : i <= s->bins ? s->count[i - 1] : s->above;
        if (i == 0) low = -OVERFLOW_T;
        if (i == s->bins + 1) high = 1 + OVERFLOW_T;
        if (count > 0)
            fprintf(f, "%.9g %.9g 0 %zu %.9g %.9g %u\n", (double)count / 2, (low + high) / 2, count,
                    low, high, palette_map((low + high) / 2));
    }
    return gnuplot_close(&f, rep);
}

static void plot_image(struct gnuplot_run *run, const struct cell *c, struct frame f)
{
    FILE *out = run->script;
    double x0 = 1e6 * c->x.low_m, x1 = 1e6 * c->x.high_m, dx = (x1 - x0) / (double)c->x.n;
    double y0 = 1e6 * c->y.low_m, y1 = 1e6 * c->y.high_m, dy = (y1 - y0) / (double)c->y.n;
    page_frame(run, f);
    fprintf(out, "set xrange [%.12g:%.12g]\nset yrange [%.12g:%.12g]\n", x0, x1, y0, y1);
    fprintf(out, "set border 15\nset xtics nomirror %.12g\n",
            ticks_step(x1 - x0, fmax(1.5, f.width / 42)));
    if (c->map->ny == 1)
        fprintf(out, "set ytics nomirror (%.6g)\n", 1e6 * c->map->y_m[0]);
    else
        fprintf(out, "set ytics nomirror %.12g\n", ticks_step(y1 - y0, fmax(1.5, f.height / 36)));
    if (c->map->nx == 1) fprintf(out, "set xtics nomirror (%.6g)\n", 1e6 * c->map->x_m[0]);
    page_text(run, "x (\u00b5m)", f.left + f.width / 2, f.top + f.height + 25, GNUPLOT_FONT_PT,
              "center");
    page_text(run, "y (\u00b5m)", f.left - CELL_LEFT_PT + 10, f.top + f.height / 2, GNUPLOT_FONT_PT,
              "center rotate by 90");
    fprintf(out,
            "plot 'map%zu.rgb' binary array=(%zu,%zu) dx=%.12g dy=%.12g origin=(%.12g,%.12g) "
            "format='%%uchar' using 1:2:3 with rgbimage notitle",
            c->index, c->x.n, c->y.n, dx, dy, x0 + dx / 2, y0 + dy / 2);
    if (c->dots && c->scale.look[LOOK_DOUBTFUL])
        fprintf(out, ", 'dots%zu.txt' using 1:2:3 with points pt 7 ps 0.22 lc rgb variable notitle",
                c->index);
    fprintf(out, "\nunset label\n");
}

/* A pointed end tells that values lie beyond; without any it is left away. */
static void draw_point(FILE *out, double from, double to)
{
    fprintf(out,
            "set object polygon from 0,%g to 1,%g to 0.5,%g to 0,%g fs solid noborder fc rgb "
            "'#%06x'\n",
            from, from, to, from, palette_map(from));
    fprintf(out, "set arrow from 0,%g to 0.5,%g nohead ls 100\n", from, to);
    fprintf(out, "set arrow from 1,%g to 0.5,%g nohead ls 100\n", from, to);
}

static void plot_bar(struct gnuplot_run *run, const struct cell *c, struct frame f)
{
    FILE *out = run->script;
    bool below = c->scale.below > 0, above = c->scale.above > 0;
    page_frame(run, f);
    fprintf(out, "set xrange [0:1]\nset yrange [%g:%g]\nunset xtics\nunset ytics\nset border 0\n",
            -OVERFLOW_T, 1 + OVERFLOW_T);
    if (below) draw_point(out, 0, -OVERFLOW_T);
    if (above) draw_point(out, 1, 1 + OVERFLOW_T);
    fprintf(out, "set arrow from 0,0 to 0,1 nohead ls 100 front\n"
                 "set arrow from 1,0 to 1,1 nohead ls 100 front\n");
    if (!below) fprintf(out, "set arrow from 0,0 to 1,0 nohead ls 100 front\n");
    if (!above) fprintf(out, "set arrow from 0,1 to 1,1 nohead ls 100 front\n");
    fprintf(out,
            "plot 'bar.rgb' binary array=(2,256) dx=0.5 dy=%.9g origin=(0.25,%.9g) "
            "format='%%uchar' using 1:2:3 with rgbimage notitle\n"
            "unset arrow\nunset object\n",
            1.0 / 256, 0.5 / 256);
}

static void set_value_ticks(FILE *out, const struct cell *c)
{
    fprintf(out, "set y2tics nomirror (");
    for (size_t i = 0; i < c->ticks.n; i++) {
        const struct tick *t = &c->ticks.tick[i];
        fprintf(out, "%s'%s' %.9g %d", i ? ", " : "", t->label,
                scale_place(&c->scale, t->value * c->scale.factor), t->major ? 0 : 1);
    }
    fprintf(out, ")\n");
}

static void draw_quartile(FILE *out, const struct value_scale *s, double value, const char *look)
{
    double t = scale_place(s, value);
    if (t >= 0 && t <= 1)
        fprintf(out,
                "set arrow from graph 0,first %.9g to graph 1,first %.9g nohead lc rgb 'black' %s "
                "front\n",
                t, t, look);
}

static void plot_histogram(struct gnuplot_run *run, const struct cell *c, struct frame f)
{
    const struct value_scale *s = &c->scale;
    FILE *out = run->script;
    size_t most = 1;
    for (size_t i = 0; i < s->bins; i++)
        if (s->count[i] > most) most = s->count[i];
    page_frame(run, f);
    fprintf(out, "set xrange [0:%.9g]\nset y2range [%g:%g]\nset border 9\n", 1.08 * (double)most,
            -OVERFLOW_T, 1 + OVERFLOW_T);
    fprintf(out, "set xtics nomirror (0, %.9g)\n", fmax(1, ticks_step((double)most, 1.5)));
    set_value_ticks(out, c);
    draw_quartile(out, s, s->q25, "lw 0.6 dt (8,5)");
    draw_quartile(out, s, s->median, "lw 0.9");
    draw_quartile(out, s, s->q75, "lw 0.6 dt (8,5)");
    page_upright(run, c->label, f.left + f.width + c->label_left, f.top + f.height / 2,
                 c->box_height, GNUPLOT_FONT_PT);
    page_text(run, "pixels", f.left + f.width / 2, f.top + f.height + 25, GNUPLOT_FONT_PT,
              "center");
    if (s->n > 0)
        fprintf(out,
                "plot 'bins%zu.txt' using 1:2:3:4:5:6:7 with boxxyerror fs solid border lw 0.2 lc "
                "rgb variable notitle\n",
                c->index);
    else
        fprintf(out, "plot NaN notitle\n");
    fprintf(out, "unset label\nunset arrow\nunset y2tics\n");
}

/* left, top: corner of the cell; title_height: of the tallest title in the row. */
static enum status plot_cell(struct gnuplot_run *run, const struct cell *c, double left, double top,
                             double title_height, struct report *rep)
{
    double box_top = top + title_height;
    struct frame image = {left + CELL_LEFT_PT, box_top + (c->box_height - c->image_height) / 2,
                          c->image_width, c->image_height};
    struct frame bar = {image.left + image.width + CELL_BAR_GAP_PT, box_top, CELL_BAR_PT,
                        c->box_height};
    struct frame histogram = {bar.left + CELL_BAR_PT, box_top, CELL_HISTOGRAM_PT, c->box_height};
    enum status st = write_raster(run, c, rep);
    if (st == ST_OK) st = write_dots(run, c, rep);
    if (st == ST_OK) st = write_bins(run, c, rep);
    if (st != ST_OK) return st;
    page_lines(run, &c->title, left + 10, top, CELL_TITLE_PT);
    page_lines(run, &c->legend, left + 10, box_top + c->box_height + CELL_BELOW_PT, CELL_LEGEND_PT);
    plot_image(run, c, image);
    plot_bar(run, c, bar);
    plot_histogram(run, c, histogram);
    return ST_OK;
}

static enum status write_bar(const struct gnuplot_run *run, struct report *rep)
{
    FILE *f = NULL;
    enum status st = gnuplot_open(run, "bar.rgb", &f, rep);
    if (st != ST_OK) return st;
    for (int i = 0; i < 512; i++) {
        uint32_t rgb = palette_map((i / 2 + 0.5) / 256);
        fprintf(f, "%c%c%c", (int)(rgb >> 16 & 255), (int)(rgb >> 8 & 255), (int)(rgb & 255));
    }
    return gnuplot_close(&f, rep);
}

/* Heights of the parts of one row of cells, and the width of the widest cell. */
struct row_size {
    double title, box, legend;
};

static struct row_size row_measure(const struct cell *cells, size_t n)
{
    struct row_size r = {0, 0, 0};
    for (size_t i = 0; i < n; i++) {
        r.title = fmax(r.title, page_leading(CELL_TITLE_PT) * (double)cells[i].title.n + 8);
        r.box = fmax(r.box, cells[i].box_height);
        r.legend = fmax(r.legend, page_leading(CELL_LEGEND_PT) * (double)cells[i].legend.n);
    }
    return r;
}

static double row_height(struct row_size r)
{
    return r.title + r.box + CELL_BELOW_PT + r.legend + CELL_PAD_PT;
}

static size_t choose_columns(size_t n)
{
    size_t columns = 1;
    if (n <= 3) return n;
    while (columns * columns < n && columns < 4)
        columns++;
    return columns;
}

static enum status draw_cells(const char *title, struct cell *cells, size_t n, size_t columns,
                              const char *path, struct report *rep)
{
    struct gnuplot_run run;
    struct text_lines head;
    double width = 0;
    for (size_t i = 0; i < n; i++)
        width = fmax(width, cells[i].width);
    for (size_t i = 0; i < n; i++)
        cell_words(&cells[i], width);
    text_wrap(&head, title ? title : "", width * (double)columns - 2 * CELL_PAD_PT, HEAD_PT);
    double top = CELL_PAD_PT + (head.n ? page_leading(HEAD_PT) * (double)head.n + 6 : 0);
    double height = top;
    for (size_t i = 0; i < n; i += columns)
        height += row_height(row_measure(cells + i, n - i < columns ? n - i : columns));
    enum status st = gnuplot_begin(&run, path, width * (double)columns, height, rep);
    if (st != ST_OK) return st;
    page_style(&run);
    page_lines(&run, &head, CELL_PAD_PT, CELL_PAD_PT, HEAD_PT);
    st = write_bar(&run, rep);
    for (size_t i = 0; i < n && st == ST_OK; i += columns) {
        size_t here = n - i < columns ? n - i : columns;
        struct row_size r = row_measure(cells + i, here);
        for (size_t j = 0; j < here && st == ST_OK; j++)
            st = plot_cell(&run, &cells[i + j], (double)j * width, top, r.title, rep);
        top += row_height(r);
    }
    if (st == ST_OK) return gnuplot_finish(&run, rep);
    gnuplot_drop(&run);
    return st;
}

enum status figure_maps(const char *title, const struct figure_map *maps, size_t n, size_t columns,
                        const char *path, struct report *rep)
{
    enum status st = ST_OK;
    struct cell *cells = NULL;
    if (n == 0) return fail(rep, ST_USAGE, "%s: no map to draw", path);
    cells = calloc(n, sizeof *cells);
    if (!cells) return fail(rep, ST_MEMORY, "no memory to draw %zu maps", n);
    if (columns == 0) columns = choose_columns(n);
    if (columns > n) columns = n;
    for (size_t i = 0; i < n && st == ST_OK; i++)
        st = cell_make(&cells[i], &maps[i], i, rep);
    if (st == ST_OK) st = draw_cells(title, cells, n, columns, path, rep);
    for (size_t i = 0; i < n; i++)
        cell_free(&cells[i]);
    free(cells);
    return st;
}
