/** A mask, as the user writes it, over a map file that is open as a view. */
#ifndef CANTLE_MAPS_MASKING_H
#define CANTLE_MAPS_MASKING_H

#include "maps/maps.h"

/** Read the mask (review/mask.h, docs/masks.md), the datasets that it names, and apply it.
 *  @param out  [ny*nx] in the view's order: 1 = chosen
 *  @param chosen  how many; may be NULL
 *  Errors: ST_USAGE for the text, ST_INPUT for a dataset, ST_MEMORY. */
enum status maps_mask(const struct maps_view *v, const char *text, uint8_t *out, size_t *chosen,
                      struct report *rep) MUST_CHECK;

/** ST_OUTPUT when a dataset that the mask names lies in the file `output` itself, which would be
 * replaced. Errors: also those of the text. @param text, output  NULL: nothing to check */
enum status maps_mask_spares(const char *text, const char *output, struct report *rep) MUST_CHECK;

/** Factors from the numbers of a view to SI, by map; 1 for a map that is not there. */
enum status maps_view_factors(const struct maps_view *v, double factor[MAP_COUNT],
                              struct report *rep) MUST_CHECK;

#endif
