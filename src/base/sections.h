/** YAML text of one shape: sections with keys, each value one text. A table of keys makes the
 * parser; what is not in the table is refused with its line. Used by recipes and by import
 * descriptions. */
#ifndef CANTLE_BASE_SECTIONS_H
#define CANTLE_BASE_SECTIONS_H

#include "base/status.h"

#include <stddef.h>

enum { SECTIONS_MOST = 256, SECTIONS_LONGEST = 255 };

struct section_key {
    const char *section, *key;
};

/** A kind of text. Keys of one section stand together. */
struct sections {
    const char *noun;    /**< "recipe", for messages */
    const char *example; /**< how one begins: "'calibration:' and, indented below it, ..." */
    const struct section_key *row;
    int n;          /**< at most SECTIONS_MOST */
    size_t longest; /**< bytes of a value, at most SECTIONS_LONGEST */
};

/** First row of the section that follows the section of row i. */
int sections_end(const struct sections *s, int i);

/** Text of each key as written; NULL where it is not given. Owned by the struct. */
struct section_texts {
    char *v[SECTIONS_MOST];
};

/** Vet the shape of a YAML text with libyaml: one mapping of known sections, each a mapping of
 * known keys to texts, nothing twice, no anchors, aliases or tags.
 *  @param line [s->n] line of each key, 0 where not given
 *  @param empty 1 when the text holds no document, or an empty one
 *  Errors: ST_RECIPE "line N: section.key: ...", without the path. */
enum status sections_vet(const struct sections *s, const char *text, size_t size, int *line,
                         int *empty, struct report *rep) MUST_CHECK;

/** Load a vetted text through libcyaml, by a schema made from the table. Errors: ST_RECIPE. */
enum status sections_load(const struct sections *s, struct section_texts *out, const char *text,
                          size_t size, struct report *rep) MUST_CHECK;
void section_texts_free(struct section_texts *t);

#endif
