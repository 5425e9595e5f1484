/** Views: an array whose axes lie in another order, or curves that follow each other, shown as
 * (row, column, sample[, quadrant]). */
#ifndef CANTLE_INTAKE_PICKED_H
#define CANTLE_INTAKE_PICKED_H

#include "intake/array.h"
#include "intake/axes.h"
#include "volume/skeleton.h"

/** Pixel without a curve. */
#define NO_CURVE SIZE_MAX

/** Which curve of a list lies at a pixel, and where it begins in a long array. Shared by views. */
struct curve_list {
    size_t ny, nx, n;
    size_t *at;               /**< [ny*nx] row-major, NO_CURVE where there is none */
    size_t *starts, *lengths; /**< [n], NULL unless the curves have different lengths */
    int users;
};

/** NULL without memory. at is filled with NO_CURVE. */
struct curve_list *curve_list_new(size_t ny, size_t nx, size_t n);
/** Another user; NULL stays NULL. */
struct curve_list *curve_list_share(struct curve_list *list);
void curve_list_drop(struct curve_list **list); /**< accepts NULL; the last user frees */

/** A part of an array.
 *  @param array  taken, also on failure
 *  @param list   shared; needed when the axes have curve, else NULL
 *  @param first, last  of the samples; last < first takes them backwards
 *  Errors: ST_INPUT when axes and array do not fit, ST_MEMORY. */
enum status view_picked(struct view **out, struct array *array, const struct axes *axes,
                        size_t first, size_t last, struct curve_list *list,
                        struct report *rep) MUST_CHECK;

/** Curves of different lengths in one long array, list->starts and lengths; behind the end of a
 * curve come zeros. Takes the array, shares the list. */
enum status view_ragged(struct view **out, struct array *array, struct curve_list *list,
                        struct report *rep) MUST_CHECK;

#endif
