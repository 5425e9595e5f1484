/** Maps by the names that people give on the command line. */
#ifndef CANTLE_COMMAND_MAP_NAMES_H
#define CANTLE_COMMAND_MAP_NAMES_H

#include "maps/maps.h"

/** The message for a word that is no map, with the nearest one. @return ST_USAGE */
enum status map_unknown(const char *word, struct report *rep) MUST_CHECK;

/** NAME of a map of the file, or NAME_errors where errors is not NULL. Errors: ST_USAGE. */
enum status map_named(const struct maps_view *v, const char *word, enum map_id *id, bool *errors,
                      struct report *rep) MUST_CHECK;

/** True if any pixel has a value in this map. */
bool map_has_value(const struct maps_view *v, enum map_id id);

/** A whole number of an option, low to high. Errors: ST_USAGE that names the option. */
enum status option_whole(const char *option, const char *text, unsigned long low,
                         unsigned long high, unsigned long *out, struct report *rep) MUST_CHECK;

#endif
