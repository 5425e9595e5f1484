/** Curves of a map file or a volume, one pixel after another, with everything that was read and
 * found, and four ways to show it. */
#ifndef CANTLE_COMMAND_CURVE_CASE_H
#define CANTLE_COMMAND_CURVE_CASE_H

#include "curve/curve.h"
#include "maps/maps.h"
#include "volume/volume.h"

#include <stdio.h>

/** Where curves come from, as given on the command line; NULL = not given. */
struct curve_source {
    const char *file;    /**< a map file or a volume */
    const char *recipe;  /**< default: the map file's, else that of all defaults */
    const char *volume;  /**< default: where it was when the maps were made, else beside them */
    const char *mapping; /**< import description; default: the map file's */
};

struct curve_case {
    const char *file;             /**< as given: a map file or a volume */
    const struct maps_view *view; /**< of the map file, borrowed; NULL for a volume */
    size_t column, row;           /**< as given, in the order of `file` */
    size_t volume_column, volume_row;
    char volume_path[4096];
    char recipe_from[640]; /**< words: where the recipe came from */
    struct recipe recipe;  /**< valid once has_recipe */
    bool has_recipe;
    struct volume *volume;
    const struct volume_facts *facts;
    struct curve_plan plan;
    struct tile tile; /**< what the volume's buffers hold; no rows = nothing */
    struct raw_curve raw;
    struct curve_work *work; /**< owns the trace's arrays */
    struct pixel_result result;
    struct curve_trace trace;
    bool tip_changed;         /**< flagged so in the map file: needs all lines */
    double surface_slope_rad; /**< as the map file has it: needs the neighbours; NaN = not known */
};

/** Open what the curves of a map file (a volume) need; c is all zeros before. `from` and `view` are
 * borrowed until curve_case_close, which is called in any case. Errors: ST_USAGE, ST_RECIPE,
 * ST_MEMORY; ST_INPUT for a volume that is not there or is another one. */
enum status curve_case_of_maps(struct curve_case *c, const struct curve_source *from,
                               const struct maps_view *view, struct report *rep) MUST_CHECK;
enum status curve_case_of_volume(struct curve_case *c, const struct curve_source *from,
                                 struct report *rep) MUST_CHECK;
/** Read and analyse one pixel's curve: result and trace are those of this pixel until the next
 * call. Errors: ST_USAGE for a place outside the grid, ST_INPUT for samples that cannot be read. */
enum status curve_case_run(struct curve_case *c, size_t column, size_t row,
                           struct report *rep) MUST_CHECK;
void curve_case_close(struct curve_case *c);

/** The steps for a person, in lines. `before` stands at the beginning of each ("" or "# "). */
void curve_report(FILE *out, const struct curve_case *c, const char *before);

/** The same as one JSON object in SI units on standard output, with the names of what was written
 * (columns: NULL = none). Errors: ST_MEMORY. */
enum status curve_report_json(const struct curve_case *c, const char *figure, const char *columns,
                              struct report *rep) MUST_CHECK;

/** Columns of text: every sample of approach and retract, comments with the report before them. */
void curve_columns(FILE *out, const struct curve_case *c);

/** Force over Z, force over separation, residuals. Errors: those of figure_panels, ST_MEMORY. */
enum status curve_figure(const struct curve_case *c, const char *path,
                         struct report *rep) MUST_CHECK;

/** "2.13 +- 0.02 MPa"; the error is left away when it is not known. */
void curve_show_measured(const struct measured *m, const char *si_unit, const char *plus_minus,
                         char *out, size_t size);

#endif
