/** The two kinds of file that `cantle describe` knows. */
#ifndef CANTLE_COMMAND_DESCRIBE_H
#define CANTLE_COMMAND_DESCRIBE_H

#include "base/status.h"
#include "curve/budget.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

/** Print what a file holds, as text or as one JSON object, to stdout. mapping: import description,
 * or NULL. */
enum status describe_volume(const char *path, const char *mapping, bool json,
                            struct report *rep) MUST_CHECK;
/** The same of a volume that is open. */
struct volume;
enum status describe_open_volume(struct volume *v, bool json, struct report *rep) MUST_CHECK;
enum status describe_map(const char *path, bool json, struct report *rep) MUST_CHECK;

/** One aligned line: label (at most 12 letters) and text. */
void describe_line(const char *label, const char *fmt, ...) PRINTF_LIKE(2, 3);
/** "8.2 MiB" */
void describe_bytes(double bytes, char out[32]);
/** As units_show, angles in degrees. */
void describe_value(double si, const char *si_unit, char *out, unsigned long size);
/** "0.35 N/m, standard uncertainty 0.02 N/m (5.7 %)" */
void describe_known(double value, double u, const char *si_unit, char *out, size_t size);
/** A number, or null where it is not known. */
json_t *describe_real(double value);
/** The name of a file, cut and made printable: it may come from another file, or from strangers. */
void describe_name(const char *name, char out[512]);
/** A text of which nothing is known as a JSON string; NULL without memory. */
json_t *describe_text(const char *text);
/** The uncertainty of a whole map, as text and as JSON (NULL without memory). */
void describe_budget(const struct budget *b);
json_t *describe_budget_json(const struct budget *b);
/** Of a map file, as `describe --json` has them: contact model, segment and space of the fit; the
 * calibration used. NULL without memory, and on failure. Errors: ST_INPUT. */
enum status describe_used_json(const char *path, json_t **fit, json_t **calibration,
                               struct report *rep) MUST_CHECK;
/** How the maps move along the scan: as text, or into *json when that is not NULL. Errors:
 * ST_MEMORY. */
struct maps_view;
enum status describe_drift(const struct maps_view *v, json_t **json, struct report *rep) MUST_CHECK;
/** Print and free. Errors: ST_MEMORY when the object could not be made. */
enum status describe_print(json_t *all, struct report *rep) MUST_CHECK;

#endif
