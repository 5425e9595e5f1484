/** Frames and texts on the page of a gnuplot run, in points from the upper left corner. */
#ifndef CANTLE_FIGURE_PAGE_H
#define CANTLE_FIGURE_PAGE_H

#include "figure/gnuplot.h"
#include "figure/text.h"

/** A rectangle of the page. */
struct frame {
    double left, top, width, height;
};

/** Distance of lines of text at a font size. */
double page_leading(double font_pt);

/** The next plot fills the frame (its tick marks lie outside). */
void page_frame(struct gnuplot_run *run, struct frame f);

/** Text of the next plot, its height centred on y_pt. `how`: gnuplot words, "left", "right",
 *  "center", "center rotate by 90". */
void page_text(struct gnuplot_run *run, const char *text, double x_pt, double y_pt, double font_pt,
               const char *how);

/** Lines one under the other from y_pt (upper edge) on. @return the lower edge */
double page_lines(struct gnuplot_run *run, const struct text_lines *lines, double x_pt, double y_pt,
                  double font_pt);

/** Text read from below upwards, broken at `length_pt`, centred on y_pt; the first line at x_pt. */
void page_upright(struct gnuplot_run *run, const char *text, double x_pt, double y_pt,
                  double length_pt, double font_pt);

/** The look of all plots: thin frame, outward ticks, no key. */
void page_style(struct gnuplot_run *run);

#endif
