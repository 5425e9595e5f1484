/** Private to the recipe folder: the steps from YAML text to values. */
#ifndef CANTLE_RECIPE_RECIPE_PARTS_H
#define CANTLE_RECIPE_RECIPE_PARTS_H

#include "recipe/recipe.h"

/** Text of each key as written; NULL where it is not given. Owned by the struct. */
struct recipe_texts {
    char *v[KEY_COUNT];
};

/** Vet the shape of a YAML text with libyaml: one mapping of known sections, each a mapping of
 * known keys to texts of at most 127 bytes, nothing twice, no anchors, aliases or tags.
 *  @param line [KEY_COUNT] line of each key, 0 where not given
 *  @param empty 1 when the text holds no document, or an empty one
 *  Errors: ST_RECIPE "line N: section.key: ...", without the path. */
enum status recipe_vet(const char *text, size_t size, int line[KEY_COUNT], int *empty,
                       struct report *rep) MUST_CHECK;

/** Load a vetted text through libcyaml, by a schema made from the table. Errors: ST_RECIPE. */
enum status recipe_texts_load(struct recipe_texts *out, const char *text, size_t size,
                              struct report *rep) MUST_CHECK;
void recipe_texts_free(struct recipe_texts *t);

/** Read one value as its row says into out->si, choice, range, text. Errors: ST_RECIPE, the message
 *  says what is wrong with the text and what is valid, not where it stands. */
enum status recipe_value_read(const struct recipe_row *row, const char *text,
                              struct recipe_value *out, struct report *rep) MUST_CHECK;

/** Whether the values fit each other: lower limits below upper ones. Errors: ST_RECIPE. */
enum status recipe_values_agree(const struct recipe *r, struct report *rep) MUST_CHECK;

/** First row of the section that follows the section of row i: sections are contiguous runs. */
int recipe_section_end(int i);

#endif
