/** The volume and recipe that a map file was made from, by what it says of them. */
#ifndef CANTLE_COMMAND_STORED_INPUT_H
#define CANTLE_COMMAND_STORED_INPUT_H

#include "maps/maps.h"
#include "recipe/recipe.h"

/** `given` (--volume) if not NULL, else the path in the map file, else the same name beside it.
 * Errors: ST_INPUT, ST_USAGE. */
enum status stored_volume_path(const struct maps_view *view, const char *given, char path[4096],
                               struct report *rep) MUST_CHECK;
/** Open it, with the stored import description, and check that it has as many pixels. */
enum status stored_volume(const struct maps_view *view, const char *path, struct volume **out,
                          struct report *rep) MUST_CHECK;
/** The recipe with its lever file as they were. Errors: those of recipe_parse. */
enum status stored_recipe(const struct maps_view *view, struct recipe *out,
                          struct report *rep) MUST_CHECK;
/** Has the file at `path` the size and time of modification of the input then? */
bool stored_input_untouched(const struct maps_view *view, const char *path);

#endif
