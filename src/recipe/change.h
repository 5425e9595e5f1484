/** Changes to a recipe: what they say replaces what it said, all else stays. */
#ifndef CANTLE_RECIPE_CHANGE_H
#define CANTLE_RECIPE_CHANGE_H

#include "recipe/recipe.h"

/** All zeros: no change. */
struct recipe_change {
    char *text[KEY_COUNT]; /**< owned; NULL = stays; "" = back to the default */
    char *lever_text;      /**< of a lever file that a change names; owned */
    char path[512];        /**< of the file of changes; "" if there was none */
};

/** "section.key=value"; nothing after = means back to the default. A later one wins.
 *  Errors: ST_USAGE, with the nearest key; ST_RECIPE for a value that the key cannot have. */
enum status recipe_change_word(struct recipe_change *c, const char *word,
                               struct report *rep) MUST_CHECK;
/** Every key that a recipe file gives. Errors: those of recipe_load. */
enum status recipe_change_file(struct recipe_change *c, const char *path,
                               struct report *rep) MUST_CHECK;
/** *out: the recipe with the changes, its text written anew. `from`: its name for messages.
 *  Errors: ST_RECIPE; on failure *out holds nothing to free. */
enum status recipe_changed(struct recipe *out, const struct recipe *before,
                           const struct recipe_change *c, const char *from,
                           struct report *rep) MUST_CHECK;
void recipe_change_free(struct recipe_change *c);

/** The keys that differ, a JSON array of {"key", "old", "new"}, texts as written or by default,
 * null where not set; malloc'd, NULL without memory. n: how many; may be NULL. */
char *recipe_difference(const struct recipe *a, const struct recipe *b, size_t *n);

#endif
