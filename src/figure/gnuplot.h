/** One run of gnuplot: a private directory with script and data, a picture that appears whole or
 * not at all. No shell is involved; gnuplot's start-up files are not read (-d), and it never sees a
 *  path of the user: the picture is made in the private directory and copied from there. */
#ifndef CANTLE_FIGURE_GNUPLOT_H
#define CANTLE_FIGURE_GNUPLOT_H

#include "base/status.h"

#include <stdio.h>

enum { GNUPLOT_FONT_PT = 9 };

struct gnuplot_run {
    FILE *script;     /**< write commands here; the terminal is set, output open, multiplot begun */
    char dir[512];    /**< private directory; "" when there is none */
    char part[4200];  /**< temporary name beside the target; "" when there is none */
    const char *path; /**< target; borrowed */
    double width_pt, height_pt;
};

/** Check the ending of `path` (.png .svg .pdf), make sure that the target can be written, make the
 *  directory, begin the script of a page of width x height points (1/72 inch; PNG has 2.5 pixels a
 *  point, 180 dpi). Terminals: pngcairo, svg, pdfcairo, all in Debian's gnuplot-nox 5.4.
 *  Errors: ST_USAGE for another ending, ST_OUTPUT. On failure nothing is left to release. */
enum status gnuplot_begin(struct gnuplot_run *run, const char *path, double width_pt,
                          double height_pt, struct report *rep) MUST_CHECK;

/** Open a data file in the private directory; the script calls it by `name`. Caller closes it with
 *  gnuplot_close. Errors: ST_OUTPUT. */
enum status gnuplot_open(const struct gnuplot_run *run, const char *name, FILE **out,
                         struct report *rep) MUST_CHECK;

/** Close with a look at errors, sets *file NULL; accepts NULL. Errors: ST_OUTPUT (disk full). */
enum status gnuplot_close(FILE **file, struct report *rep) MUST_CHECK;

/** Run gnuplot and put the picture in its place. The run is released whatever happens.
 *  Errors: ST_TOOL (not there, or failed: with the first line of what it said), ST_OUTPUT. */
enum status gnuplot_finish(struct gnuplot_run *run, struct report *rep) MUST_CHECK;

/** Release without drawing, for error paths. Safe after gnuplot_finish. */
void gnuplot_drop(struct gnuplot_run *run);

#endif
