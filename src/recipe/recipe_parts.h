/** Private to the recipe folder: the steps from YAML text to values. */
#ifndef CANTLE_RECIPE_RECIPE_PARTS_H
#define CANTLE_RECIPE_RECIPE_PARTS_H

#include "base/sections.h"
#include "recipe/recipe.h"

/** The shape of a recipe: base/sections.h. */
extern const struct sections recipe_sections;

/** Read one value as its row says into out->si, choice, range, text. Errors: ST_RECIPE, the message
 *  says what is wrong with the text and what is valid, not where it stands. */
enum status recipe_value_read(const struct recipe_row *row, const char *text,
                              struct recipe_value *out, struct report *rep) MUST_CHECK;

/** Whether the values fit each other: lower limits below upper ones. Errors: ST_RECIPE. */
enum status recipe_values_agree(const struct recipe *r, struct report *rep) MUST_CHECK;

/** First row of the section that follows the section of row i: sections are contiguous runs. */
int recipe_section_end(int i);

#endif
