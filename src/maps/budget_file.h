/** The group /entry/uncertainty of a map file: written and read back. docs/output-format.md. */
#ifndef CANTLE_MAPS_BUDGET_FILE_H
#define CANTLE_MAPS_BUDGET_FILE_H

#include "curve/budget.h"
#include "maps/layout.h"

#define BUDGET_GROUP "/entry/uncertainty"

void budget_put(struct h5put *p, hid_t entry, const struct budget *b, const struct maps_layout *l);

/** *there false (ST_OK) when the file has no such group. Errors: ST_INPUT for one that is not as it
 * should be, ST_MEMORY. */
enum status budget_get(struct budget *out, bool *there, hid_t file, struct report *rep) MUST_CHECK;

#endif
