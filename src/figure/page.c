#include "figure/page.h"

double page_leading(double font_pt)
{
    return 1.35 * font_pt;
}

void page_frame(struct gnuplot_run *run, struct frame f)
{
    double w = run->width_pt, h = run->height_pt;
    fprintf(run->script, "set lmargin at screen %.6f\nset rmargin at screen %.6f\n", f.left / w,
            (f.left + f.width) / w);
    fprintf(run->script, "set tmargin at screen %.6f\nset bmargin at screen %.6f\n", 1 - f.top / h,
            1 - (f.top + f.height) / h);
}

void page_text(struct gnuplot_run *run, const char *text, double x_pt, double y_pt, double font_pt,
               const char *how)
{
    fprintf(run->script, "set label ");
    text_quote(run->script, text);
    fprintf(run->script, " at screen %.6f,%.6f %s font ',%g' front\n", x_pt / run->width_pt,
            1 - y_pt / run->height_pt, how, font_pt);
}

double page_lines(struct gnuplot_run *run, const struct text_lines *lines, double x_pt, double y_pt,
                  double font_pt)
{
    double leading = page_leading(font_pt);
    for (size_t i = 0; i < lines->n; i++, y_pt += leading)
        page_text(run, lines->line[i], x_pt, y_pt + leading / 2, font_pt, "left");
    return y_pt;
}

void page_upright(struct gnuplot_run *run, const char *text, double x_pt, double y_pt,
                  double length_pt, double font_pt)
{
    struct text_lines lines;
    text_wrap(&lines, text, length_pt, font_pt);
    for (size_t i = 0; i < lines.n; i++)
        page_text(run, lines.line[i], x_pt + (double)i * page_leading(font_pt), y_pt, font_pt,
                  "center rotate by 90");
}

void page_style(struct gnuplot_run *run)
{
    fprintf(run->script, "set style line 100 lc rgb '#303030' lw 0.6\n"
                         "set border 15 ls 100\n"
                         "set tics out nomirror scale 0.5,0.3\n"
                         "unset key\n"
                         "unset colorbox\n");
}
