#include "figure/cell.h"

#include "figure/gnuplot.h"
#include "figure/page.h"

#include <math.h>
#include <string.h>

#define SIDE_PT 185.0      /* side of a square map */
#define SIDE_MOST_PT 340.0 /* longest side of any map */
#define BOX_LEAST_PT 110.0 /* least height of colour bar and histogram */
#define DOT_ROOM_PT 4.0    /* smallest pixel that a dot is put on */

/* Equal aspect: a micrometre is as long in y as in x. The height of a single row (or the width of a
 * single column) means nothing, so it only has to be seen. */
static void size_image(struct cell *c)
{
    double aspect = (c->x.high_m - c->x.low_m) / (c->y.high_m - c->y.low_m);
    if (c->map->ny == 1 && aspect > 8) aspect = 8;
    if (c->map->nx == 1 && aspect < 0.125) aspect = 0.125;
    c->image_width = fmin(SIDE_PT * sqrt(aspect), SIDE_MOST_PT);
    c->image_height = c->image_width / aspect;
    if (c->image_height > SIDE_MOST_PT) {
        c->image_height = SIDE_MOST_PT;
        c->image_width = SIDE_MOST_PT * aspect;
    }
    c->box_height = fmax(c->image_height, BOX_LEAST_PT);
    double pixel = fmin(c->x.smallest_m / (c->x.high_m - c->x.low_m) * c->image_width,
                        c->y.smallest_m / (c->y.high_m - c->y.low_m) * c->image_height);
    c->dots = pixel >= DOT_ROOM_PT;
}

static void size_value_axis(struct cell *c)
{
    const struct value_scale *s = &c->scale;
    struct text_lines lines;
    double widest = 0;
    ticks_make(&c->ticks, s->low / s->factor, s->high / s->factor, s->log_scale,
               fmin(c->box_height / 28, 8));
    for (size_t i = 0; i < c->ticks.n; i++)
        widest = fmax(widest, text_width(c->ticks.tick[i].label, GNUPLOT_FONT_PT));
    text_axis(c->map->label ? c->map->label : "", s->prefix, c->map->si_unit, c->label,
              sizeof c->label);
    text_wrap(&lines, c->label, c->box_height, GNUPLOT_FONT_PT);
    c->label_left = 10 + widest + page_leading(GNUPLOT_FONT_PT) / 2;
    c->width = CELL_LEFT_PT + c->image_width + CELL_BAR_GAP_PT + CELL_BAR_PT + CELL_HISTOGRAM_PT +
               c->label_left + ((double)lines.n - 0.5) * page_leading(GNUPLOT_FONT_PT) +
               CELL_PAD_PT;
}

enum status cell_make(struct cell *c, const struct figure_map *map, size_t index,
                      struct report *rep)
{
    *c = (struct cell){.map = map, .index = index};
    double lone_x = map->ny > 1 ? map->y_m[1] - map->y_m[0] : 1e-6;
    double lone_y = map->nx > 1 ? map->x_m[1] - map->x_m[0] : 1e-6;
    enum status st = scale_make(&c->scale, map, rep);
    if (st == ST_OK) st = raster_axis_make(&c->x, map->x_m, map->nx, lone_x, rep);
    if (st == ST_OK) st = raster_axis_make(&c->y, map->y_m, map->ny, lone_y, rep);
    if (st != ST_OK) return st;
    size_image(c);
    size_value_axis(c);
    return ST_OK;
}

void cell_free(struct cell *c)
{
    raster_axis_free(&c->x);
    raster_axis_free(&c->y);
}

static void add_count(char *line, size_t size, const char *words, size_t count)
{
    size_t used = strlen(line);
    if (count > 0 && used < size)
        snprintf(line + used, size - used, "%s%s (%zu)", used ? ", " : "", words, count);
}

static void word_marks(const struct cell *c, char *out, size_t size)
{
    const size_t *look = c->scale.look;
    *out = 0;
    add_count(out, size, "grey: rejected", look[LOOK_REJECTED]);
    add_count(out, size, "white: absent", look[LOOK_ABSENT]);
    add_count(out, size, "white: without a value", look[LOOK_MISSING]);
    add_count(out, size, c->dots ? "dots: doubtful" : "not marked: doubtful", look[LOOK_DOUBTFUL]);
}

/* Statistics, then the marks and how many there are. */
void cell_words(struct cell *c, double width_pt)
{
    const struct value_scale *s = &c->scale;
    const double value[3] = {s->q25, s->median, s->q75};
    char marks[256], shown[3][48], all[512];
    word_marks(c, marks, sizeof marks);
    for (int i = 0; i < 3; i++)
        text_value(value[i], c->map->si_unit, 3, shown[i], sizeof shown[i]);
    if (s->n == 0)
        snprintf(all, sizeof all, "no pixel has a value\n%s", marks);
    else
        snprintf(all, sizeof all, "median %s, quartiles %s and %s, n = %zu\n%s", shown[1], shown[0],
                 shown[2], s->n, marks);
    text_wrap(&c->legend, all, width_pt - 2 * CELL_PAD_PT, CELL_LEGEND_PT);
    text_wrap(&c->title, c->map->title ? c->map->title : "", width_pt - 2 * CELL_PAD_PT,
              CELL_TITLE_PT);
}
