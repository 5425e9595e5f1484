/** What the axes of an array are, and which part of the sample axis is meant. */
#ifndef CANTLE_INTAKE_AXES_H
#define CANTLE_INTAKE_AXES_H

#include "base/status.h"
#include "volume/source.h"

enum axis_role { AXIS_ROW, AXIS_COLUMN, AXIS_CURVE, AXIS_SAMPLE, AXIS_QUADRANT, AXIS_FIXED };

/** Axes of an array in NumPy's order. */
struct axes {
    int rank;
    enum axis_role role[MOST_RANK];
    size_t fixed[MOST_RANK]; /**< AXIS_FIXED: the index that is taken */
    size_t of[MOST_RANK];    /**< AXIS_FIXED: length of the axis, 0 = not stated */
};

/** "row column 2 sample", "sample curve", "1 of 4". Errors: ST_RECIPE. */
enum status axes_read(const char *text, struct axes *out, struct report *rep) MUST_CHECK;

/** Which axis has a role, -1 if none. */
int axes_find(const struct axes *a, enum axis_role role);

/** "0..511", or falling "511..0". Errors: ST_RECIPE. */
enum status span_read(const char *text, size_t *first, size_t *last, struct report *rep) MUST_CHECK;

#endif
