#include "figure/figure.h"
#include "figure/page.h"
#include "figure/palette.h"
#include "figure/ticks.h"

#include "base/units.h"

#include <math.h>
#include <string.h>

/* Sizes in points. */
#define GROUP_WIDTH 84.0
#define HEIGHT 210.0
#define LEFT 56.0
#define PAD 10.0
#define HEAD_PT 11.0
#define BELOW 50.0 /* names of groups on up to three lines, and what n is */
#define NAME_PT 8.5
#define NOTE_PT 8.0

struct span {
    double low, high;
};

static void take(struct span *s, double value, bool log_scale)
{
    if (!isfinite(value) || (log_scale && !(value > 0))) return;
    s->low = fmin(s->low, value);
    s->high = fmax(s->high, value);
}

static struct span span_of(const struct figure_group *groups, size_t n, bool log_scale)
{
    struct span s = {INFINITY, -INFINITY};
    for (size_t g = 0; g < n; g++) {
        take(&s, groups[g].low, log_scale);
        take(&s, groups[g].high, log_scale);
        for (size_t i = 0; i < groups[g].n; i++)
            take(&s, groups[g].value[i], log_scale);
    }
    if (!(s.low <= s.high)) s = (struct span){1, 2};
    if (log_scale) {
        double room = fmax(pow(s.high / s.low, 0.08), 1.05);
        s.low /= room;
        s.high *= room;
    } else {
        double room = fmax(0.08 * (s.high - s.low), 0.02 * fmax(fabs(s.low), fabs(s.high)));
        if (!(room > 0)) room = 1;
        s.low -= room;
        s.high += room;
    }
    return s;
}

/* Points of a group beside each other, in the order given: -0.25 ... 0.25. */
static double aside(size_t i, size_t n)
{
    return n > 1 ? 0.5 * (double)i / (double)(n - 1) - 0.25 : 0;
}

static enum status write_group(const struct gnuplot_run *run, size_t g,
                               const struct figure_group *group, double factor, struct report *rep)
{
    char name[64];
    FILE *f = NULL;
    snprintf(name, sizeof name, "group%zu.txt", g);
    enum status st = gnuplot_open(run, name, &f, rep);
    if (st != ST_OK) return st;
    for (size_t i = 0; i < group->n; i++)
        fprintf(f, "%.9g %.9g\n", (double)g + aside(i, group->n), group->value[i] / factor);
    return gnuplot_close(&f, rep);
}

/* Median and interval as lines behind the points. */
static void mark_group(FILE *out, size_t g, const struct figure_group *group, double factor)
{
    const double x = (double)g, low = group->low / factor, high = group->high / factor,
                 middle = group->median / factor;
    static const char *const look = "nohead front lc rgb '#000000'";
    if (isfinite(low) && isfinite(high)) {
        fprintf(out, "set arrow from %.9g,%.9g to %.9g,%.9g %s lw 0.9\n", x, low, x, high, look);
        for (int end = 0; end < 2; end++)
            fprintf(out, "set arrow from %.9g,%.9g to %.9g,%.9g %s lw 0.9\n", x - 0.08,
                    end ? high : low, x + 0.08, end ? high : low, look);
    }
    if (isfinite(middle))
        fprintf(out, "set arrow from %.9g,%.9g to %.9g,%.9g %s lw 1.8\n", x - 0.32, middle,
                x + 0.32, middle, look);
}

static void put_ticks(FILE *out, struct span s, bool log_scale)
{
    struct ticks ticks;
    ticks_make(&ticks, s.low, s.high, log_scale, 6);
    fprintf(out, "unset xtics\nset ytics (");
    for (size_t i = 0; i < ticks.n; i++)
        fprintf(out, "%s'%s' %.9g %d", i ? ", " : "", ticks.tick[i].label, ticks.tick[i].value,
                ticks.tick[i].major ? 0 : 1);
    fprintf(out, ")\n");
}

static void name_groups(struct gnuplot_run *run, const struct figure_group *groups, size_t n,
                        struct frame f)
{
    for (size_t g = 0; g < n; g++) {
        struct text_lines lines;
        const double x = f.left + ((double)g + 0.5) * f.width / (double)n;
        double y = f.top + f.height + 12;
        text_wrap(&lines, groups[g].name, GROUP_WIDTH - 6, NAME_PT);
        for (size_t i = 0; i < lines.n && i < 2; i++, y += page_leading(NAME_PT))
            page_text(run, lines.line[i], x, y, NAME_PT, "center");
        page_text(run, groups[g].note, x, y, NOTE_PT, "center");
    }
}

static enum status plot(struct gnuplot_run *run, const char *label, const char *si_unit,
                        bool log_scale, const struct figure_group *groups, size_t n, struct frame f,
                        struct report *rep)
{
    FILE *out = run->script;
    char axis[512];
    double factor = 1;
    struct span s = span_of(groups, n, log_scale);
    const char *prefix = strcmp(si_unit, "1") == 0
                             ? ""
                             : units_prefix(log_scale ? sqrt(s.low * s.high)
                                                      : fmax(fabs(s.low), fabs(s.high)),
                                            si_unit, &factor);
    if (factor <= 0) factor = 1;
    enum status st = ST_OK;
    s.low /= factor;
    s.high /= factor;
    text_axis(label, prefix, si_unit, axis, sizeof axis);
    page_frame(run, f);
    fprintf(out, "%s\nset xrange [-0.5:%zu.5]\nset yrange [%.12g:%.12g]\n",
            log_scale ? "set logscale y" : "unset logscale y", n - 1, s.low, s.high);
    put_ticks(out, s, log_scale);
    page_upright(run, axis, f.left - LEFT + 8, f.top + f.height / 2, f.height, GNUPLOT_FONT_PT);
    name_groups(run, groups, n, f);
    for (size_t g = 0; g < n && st == ST_OK; g++) {
        st = write_group(run, g, &groups[g], factor, rep);
        mark_group(out, g, &groups[g], factor);
    }
    fprintf(out, "plot NaN notitle");
    for (size_t g = 0; g < n; g++)
        if (groups[g].n > 0)
            fprintf(out,
                    ", 'group%zu.txt' using 1:2 with points pt 7 ps 0.55 lc rgb '#%06x' notitle", g,
                    palette_series((int)(g % 7) + 1));
    fprintf(out, "\nunset label\nunset arrow\n");
    return st;
}

enum status figure_groups(const char *title, const char *label, const char *si_unit, bool log_scale,
                          const struct figure_group *groups, size_t n, const char *path,
                          struct report *rep)
{
    struct gnuplot_run run;
    struct text_lines head;
    if (n == 0) return fail(rep, ST_USAGE, "%s: no group to draw", path);
    const double width = LEFT + GROUP_WIDTH * fmax((double)n, 3) + 2 * PAD;
    text_wrap(&head, title ? title : "", width - 2 * PAD, HEAD_PT);
    double top = PAD + (double)head.n * page_leading(HEAD_PT) + 6;
    enum status st = gnuplot_begin(&run, path, width, top + HEIGHT + BELOW + PAD, rep);
    if (st != ST_OK) return st;
    page_style(&run);
    page_lines(&run, &head, PAD, PAD, HEAD_PT);
    struct frame f = {PAD + LEFT, top, width - LEFT - 2 * PAD, HEIGHT};
    st = plot(&run, label, si_unit, log_scale, groups, n, f, rep);
    if (st == ST_OK) return gnuplot_finish(&run, rep);
    gnuplot_drop(&run);
    return st;
}
