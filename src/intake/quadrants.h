/** Four arrays, one for each quadrant of the detector, shown as one. */
#ifndef CANTLE_INTAKE_QUADRANTS_H
#define CANTLE_INTAKE_QUADRANTS_H

#include "intake/array.h"

enum { QUADRANTS = 4 };

/** Whether a quadrant can stand beside the first one. Errors: ST_INPUT where shape, type or order
 * differ. */
enum status quadrants_alike(const struct array *first, const struct array *a,
                            struct report *rep) MUST_CHECK;

/** An array with one axis more than its parts: the last, of length 4, in the order of the parts.
 * Attributes are those of the first part.
 *  @param part  taken, also on failure; all alike
 *  Errors: ST_INPUT where they have MOST_RANK axes already, ST_MEMORY. */
enum status array_quadrants(struct array **out, struct array *part[QUADRANTS],
                            struct report *rep) MUST_CHECK;

#endif
