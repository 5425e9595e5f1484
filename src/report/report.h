/** One HTML file that shows a map file and opens anywhere without a network: page, program and data
 * are in it. What comes from files is data: JSON without any '<', or base64; the page puts it on
 * the screen as text. A content security policy lets the browser run nothing but the script that
 * was built into this program, and load nothing at all. */
#ifndef CANTLE_REPORT_REPORT_H
#define CANTLE_REPORT_REPORT_H

#include "curve/curve.h"
#include "maps/maps.h"
#include "report/choose.h"

#include <jansson.h>
#include <stdio.h>

/** A report in the making. */
struct html_report;

/** Longest segment that is embedded whole; of longer ones every second, third, ... sample is. */
enum { REPORT_SAMPLES_MOST = 4000 };

/** Begin with states and flags. `view` is borrowed until html_report_free.
 *  @param most  largest size of the file in bytes
 *  Errors: ST_MEMORY. */
enum status html_report_new(struct html_report **out, const struct maps_view *view, size_t most,
                            struct report *rep) MUST_CHECK;
void html_report_free(struct html_report **r);

/** Add a fact of the page under a name; takes the reference, also on failure. Names that the page
 * knows: "about", "fit", "calibration", "uncertainty", "run", "recipe", "lever_file". Errors:
 * ST_MEMORY, also for a value NULL. */
enum status html_report_fact(struct html_report *r, const char *name, json_t *value,
                             struct report *rep) MUST_CHECK;
/** Add a line to the cautions. Errors: ST_MEMORY. */
enum status html_report_caution(struct html_report *r, struct report *rep, const char *fmt, ...)
    PRINTF_LIKE(3, 4) MUST_CHECK;

/** Add a map and its errors; *fits false, and nothing is added, when there is no room for both.
 * Errors: ST_INPUT for a unit that is none, ST_MEMORY. */
enum status html_report_map(struct html_report *r, enum map_id id, bool *fits,
                            struct report *rep) MUST_CHECK;

/** One curve; borrowed during the call. */
struct report_curve {
    const struct pick *pick;
    const struct curve_trace *trace;
    double spring_n_per_m;
};
/** Add a curve; *fits as above. *thinned: not all of its samples are in it. Errors: ST_MEMORY. */
enum status html_report_curve(struct html_report *r, const struct report_curve *curve, bool *fits,
                              bool *thinned, struct report *rep) MUST_CHECK;

/** Another largest size, for what is added from now on. */
void html_report_limit(struct html_report *r, size_t most);
/** Bytes of the file as it is now, within a few hundred. */
size_t html_report_size(const struct html_report *r);

/** Write the whole file. Errors: ST_OUTPUT when the stream fails, ST_MEMORY. */
enum status html_report_write(struct html_report *r, FILE *out, struct report *rep) MUST_CHECK;

/** A text of which nothing is known as a JSON string, lines kept; NULL without memory. */
json_t *html_report_text(const char *text);

#endif
