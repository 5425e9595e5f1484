/** Text: numbers that each file gives once, by a header line, its name, or a table. */
#ifndef CANTLE_INTAKE_TEXT_NUMBERS_H
#define CANTLE_INTAKE_TEXT_NUMBERS_H

#include "intake/lines.h"

enum { MOST_NUMBERS = 64 };

struct text_numbers;

/** For all keys of the description whose place is header, name or table. Reads grid.table. Errors:
 * ST_RECIPE, ST_INPUT, with the line of the description. */
enum status text_numbers_new(struct text_numbers **out, const struct description *d,
                             struct report *rep) MUST_CHECK;
void text_numbers_free(struct text_numbers **t); /**< accepts NULL */

size_t text_numbers_count(const struct text_numbers *t);
/** Which of them belongs to a key, -1 if none. */
int text_numbers_find(const struct text_numbers *t, enum intake_key key);

/** segments files: the next file is of a segment and gives that segment's numbers; of the approach
 * it gives those of the whole curve as well. */
void text_numbers_of(struct text_numbers *t, int segment);

/** A new file: what its name and the table say. Errors: ST_INPUT. */
enum status text_numbers_begin(struct text_numbers *t, const char *name,
                               struct report *rep) MUST_CHECK;
/** One of its header lines. Errors: ST_INPUT. */
enum status text_numbers_header(struct text_numbers *t, const char *line,
                                struct report *rep) MUST_CHECK;
/** All numbers of the file in SI, [count]; NaN where it gives none. Errors: ST_INPUT when one is
 * missing. */
enum status text_numbers_end(const struct text_numbers *t, double *out,
                             struct report *rep) MUST_CHECK;

#endif
