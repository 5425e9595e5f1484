/** Which pixels of a map file somebody means. */
#ifndef CANTLE_COMMAND_PIXEL_CHOICE_H
#define CANTLE_COMMAND_PIXEL_CHOICE_H

#include "maps/maps.h"

#define PIXELS_HELP                                                                                \
    "only these pixels: names of flags and states with commas between them (a pixel with any of "  \
    "them), or a mask FILE.h5:/DATASET of whole numbers or booleans, as large as the maps and in " \
    "their order, where 0 means no"

/** @param out  [ny*nx] as stored, 1 = meant; malloc'd. Errors: ST_USAGE for a word that is neither,
 *  with the nearest; ST_INPUT for a mask that cannot be read or has another shape. */
enum status pixel_choice(const struct maps_view *view, const char *words, uint8_t **out,
                         struct report *rep) MUST_CHECK;

#endif
