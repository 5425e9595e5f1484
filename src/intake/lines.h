/** One line of delimited text: cells and numbers. */
#ifndef CANTLE_INTAKE_LINES_H
#define CANTLE_INTAKE_LINES_H

#include "intake/description.h"

enum { MOST_CELLS = 512 };

/** How lines are to be read, from the section source of a description. */
struct line_rules {
    char separator; /**< ' ' = any run of blanks and tabs */
    bool decimal_comma;
    const char *comment;
    size_t header_lines, names_line;
};
void line_rules_make(const struct description *d, struct line_rules *out);

/** Whether line `number` (from 1) is one of the header: by its place, its first character, or
 * empty.
 */
bool line_is_header(const struct line_rules *r, const char *line, size_t number);

/** Cut a line, in place, into cells without blanks around them; returns how many, at most
 * MOST_CELLS. */
size_t line_split(const struct line_rules *r, char *line, char *cell[MOST_CELLS]);

/** A number, the whole text. An empty cell is NaN. */
bool line_number(const struct line_rules *r, const char *cell, double *out);

/** Take the next line off a text in memory (its end is overwritten with 0); NULL at the end. */
char *line_next(char **text);

#endif
