/** Maps by the names that people give on the command line. */
#ifndef CANTLE_COMMAND_MAP_NAMES_H
#define CANTLE_COMMAND_MAP_NAMES_H

#include "maps/maps.h"

/** The message for a word that is no map, with the nearest one. @return ST_USAGE */
enum status map_unknown(const char *word, struct report *rep) MUST_CHECK;

/** True for the name of a map, and of one layer of a map with a further axis: "depth_modulus:3". */
bool map_is_named(const char *word, int map);

/** True if any pixel has a value in this map. */
bool map_has_value(const struct maps_view *v, enum map_id id);

/** A whole number of an option, low to high. Errors: ST_USAGE that names the option. */
enum status option_whole(const char *option, const char *text, unsigned long low,
                         unsigned long high, unsigned long *out, struct report *rep) MUST_CHECK;

#endif
