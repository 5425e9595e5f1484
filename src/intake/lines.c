#include "intake/lines.h"
#include "base/decimal.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

void line_rules_make(const struct description *d, struct line_rules *out)
{
    static const char separators[] = {' ', '\t', ',', ';'};
    *out = (struct line_rules){.separator = separators[d->v[IN_source_separator].choice],
                               .decimal_comma = d->v[IN_source_decimal].choice == 1,
                               .comment = d->v[IN_source_comment].text,
                               .header_lines = (size_t)d->v[IN_source_header_lines].number,
                               .names_line = (size_t)d->v[IN_source_names_line].number};
}

bool line_is_header(const struct line_rules *r, const char *line, size_t number)
{
    const char *first = line + strspn(line, " \t\r");
    return number <= r->header_lines || number == r->names_line || !*first ||
           strchr(r->comment, *first);
}

static char *trim(char *cell)
{
    char *end = cell + strlen(cell);
    while (isspace((unsigned char)*cell))
        cell++;
    while (end > cell && isspace((unsigned char)end[-1]))
        *--end = 0;
    if (end - cell >= 2 && *cell == '"' && end[-1] == '"') {
        end[-1] = 0;
        cell++;
    }
    return cell;
}

size_t line_split(const struct line_rules *r, char *line, char *cell[MOST_CELLS])
{
    size_t n = 0;
    if (r->separator == ' ') {
        char *rest = NULL;
        for (char *c = strtok_r(line, " \t\r", &rest); c && n < MOST_CELLS;
             c = strtok_r(NULL, " \t\r", &rest))
            cell[n++] = trim(c);
        return n;
    }
    for (char *at = line; at && n < MOST_CELLS;) {
        char *end = strchr(at, r->separator);
        if (end) *end++ = 0;
        cell[n++] = trim(at);
        at = end;
    }
    return n;
}

bool line_number(const struct line_rules *r, const char *cell, double *out)
{
    char copy[64], *rest;
    size_t n = strlen(cell);
    *out = NAN;
    if (n == 0) return true;
    if (n >= sizeof copy) return false;
    if (decimal_exact(cell, r->decimal_comma ? ',' : '.', out)) return true;
    memcpy(copy, cell, n + 1);
    for (char *c = copy; *c && r->decimal_comma; c++) {
        if (*c == '.') return false;
        if (*c == ',') *c = '.';
    }
    *out = strtod(copy, &rest);
    return rest != copy && !*rest;
}

char *line_next(char **text)
{
    char *line = *text;
    if (!line || !*line) return NULL;
    size_t n = strcspn(line, "\n");
    *text = line[n] ? line + n + 1 : line + n;
    line[n] = 0;
    if (n > 0 && line[n - 1] == '\r') line[n - 1] = 0;
    return line;
}
