/** Four arrays, one for each quadrant of the detector, shown as one. */
#ifndef CANTLE_INTAKE_QUADRANTS_H
#define CANTLE_INTAKE_QUADRANTS_H

#include "intake/array.h"

enum { QUADRANTS = 4 };

/** An array with one axis more than its parts: the last, of length 4, in the order of the parts.
 * Attributes are those of the first part.
 *  @param part  taken, also on failure; of equal shape, type and order
 *  Errors: ST_INPUT where they differ or have MOST_RANK axes already, ST_MEMORY. */
enum status array_quadrants(struct array **out, struct array *part[QUADRANTS],
                            struct report *rep) MUST_CHECK;

#endif
