/** One pixel's curve with everything that was read and found, and three ways to show it. */
#ifndef CANTLE_COMMAND_CURVE_CASE_H
#define CANTLE_COMMAND_CURVE_CASE_H

#include "curve/curve.h"
#include "volume/volume.h"

#include <stdio.h>

struct curve_case {
    const char *file;   /**< as given: a map file or a volume */
    size_t column, row; /**< as given, in the order of `file` */
    size_t volume_column, volume_row;
    char volume_path[4096];
    char recipe_from[640]; /**< words: where the recipe came from */
    struct recipe recipe;  /**< valid once has_recipe */
    bool has_recipe;
    struct volume *volume;
    const struct volume_facts *facts;
    struct curve_plan plan;
    struct raw_curve raw;
    struct curve_work *work; /**< owns the trace's arrays */
    struct pixel_result result;
    struct curve_trace trace;
    bool tip_changed;         /**< flagged so in the map file: needs all lines */
    double surface_slope_rad; /**< as the map file has it: needs the neighbours; NaN = not known */
};

/** The steps for a person, in lines. `before` stands at the beginning of each ("" or "# "). */
void curve_report(FILE *out, const struct curve_case *c, const char *before);

/** Columns of text: every sample of approach and retract, comments with the report before them. */
void curve_columns(FILE *out, const struct curve_case *c);

/** Force over Z, force over separation, residuals. Errors: those of figure_panels, ST_MEMORY. */
enum status curve_figure(const struct curve_case *c, const char *path,
                         struct report *rep) MUST_CHECK;

/** "2.13 +- 0.02 MPa"; the error is left away when it is not known. */
void curve_show_measured(const struct measured *m, const char *si_unit, const char *plus_minus,
                         char *out, size_t size);

#endif
