#include "intake/text_numbers.h"
#include "base/units.h"
#include "intake/build.h"

#include <errno.h>
#include <math.h>
#include <regex.h>
#include <stdlib.h>
#include <string.h>

static const size_t largest_table = (size_t)64 << 20;

struct one {
    enum intake_key key;
    const struct place *place;
    regex_t pattern;
    bool compiled, found;
    bool elsewhere;          /* the file at hand is not the one that gives it */
    struct unit_scale scale; /* of a unit that stands in the description */
    size_t column;           /* of the table */
    double si;
};

struct row {
    char *name;
    char *cells; /* the rest of the line */
};

struct text_numbers {
    const struct description *d;
    struct line_rules rules;
    struct one one[MOST_NUMBERS];
    size_t n;
    char *table;
    struct row *row;
    size_t rows;
};

/* --- making --- */

static int by_name(const void *a, const void *b)
{
    return strcmp(((const struct row *)a)->name, ((const struct row *)b)->name);
}

/* The table beside the description, unless its path is absolute. */
static void table_path(const struct description *d, char *out, size_t size)
{
    const char *name = d->v[IN_grid_table].text, *slash = strrchr(d->path, '/');
    bool beside = slash && *name != '/';
    snprintf(out, size, "%.*s%s", beside ? (int)(slash - d->path + 1) : 0, d->path, name);
}

/* The whole file with a 0 behind it. */
static enum status read_whole(FILE *in, const char *path, char **out, struct report *rep)
{
    size_t size = 0, room = 1 << 16, got = 1;
    char *text = malloc(room + 1);
    while (text && got > 0 && size < largest_table) {
        got = fread(text + size, 1, room - size, in);
        size += got;
        if (size < room) continue;
        char *more = realloc(text, (room *= 2) + 1);
        if (!more) free(text);
        text = more;
    }
    *out = text;
    if (!text) return fail(rep, ST_MEMORY, "%s: not enough memory to read it", path);
    text[size] = 0;
    return size < largest_table ? ST_OK : fail(rep, ST_INPUT, "%s: is too large for a table", path);
}

/* Cut the text into names and the rest of their lines. */
static enum status index_table(struct text_numbers *t, struct report *rep)
{
    char *rest = t->table, *line;
    const char separators[] = {t->rules.separator, t->rules.separator == ' ' ? '\t' : 0, 0};
    size_t lines = 1;
    for (const char *c = t->table; *c; c++)
        lines += *c == '\n';
    t->row = calloc(lines, sizeof *t->row);
    if (!t->row) return fail(rep, ST_MEMORY, "not enough memory for a table of %zu lines", lines);
    while ((line = line_next(&rest))) {
        line += strspn(line, " \t");
        if (!*line || strchr(t->rules.comment, *line)) continue;
        char *end = line + strcspn(line, separators);
        t->row[t->rows++] = (struct row){line, *end ? end + 1 : end};
        while (end > line && end[-1] == ' ')
            end--;
        *end = 0;
    }
    qsort(t->row, t->rows, sizeof *t->row, by_name);
    return ST_OK;
}

static enum status read_table(struct text_numbers *t, struct report *rep)
{
    char path[4096 + 300];
    if (!t->d->v[IN_grid_table].set)
        return description_ask(t->d, IN_grid_table,
                               "a column of a table is asked for, but there is no table",
                               "positions.txt", rep);
    table_path(t->d, path, sizeof path);
    FILE *in = fopen(path, "rbe");
    enum status st = in ? read_whole(in, path, &t->table, rep)
                        : fail(rep, ST_INPUT, "%s: cannot be read: %s", path, strerror(errno));
    if (in) fclose(in);
    if (st == ST_OK) st = index_table(t, rep);
    return st == ST_OK ? st : description_at(t->d, IN_grid_table, st, rep);
}

static enum status make_one(struct text_numbers *t, enum intake_key key, struct report *rep)
{
    const struct place *p = &t->d->v[key].place;
    const char *si_unit = intake_rows[key].unit;
    if (t->n == MOST_NUMBERS) return fail(rep, ST_RECIPE, "too many places in headers");
    struct one *o = &t->one[t->n++];
    *o = (struct one){.key = key, .place = p, .scale = {1, 0}};
    if (p->kind == PLACE_table) {
        char *rest;
        o->column = strtoul(p->what, &rest, 10);
        if (*rest || o->column < 2)
            return fail(rep, ST_RECIPE, "'table %s': write the number of a column, from 2",
                        p->what);
        enum status st = t->row ? ST_OK : read_table(t, rep);
        if (st != ST_OK) return st;
    } else {
        if (regcomp(&o->pattern, p->what, REG_EXTENDED) != 0)
            return fail(rep, ST_RECIPE, "'%s' is not a pattern", p->what);
        o->compiled = true;
    }
    bool unit_in_group = p->kind == PLACE_header && o->pattern.re_nsub >= 2;
    if (*p->unit) return units_scale(p->unit, si_unit, &o->scale, rep);
    if (strcmp(si_unit, "1") == 0 || unit_in_group) return ST_OK;
    return fail(rep, ST_RECIPE,
                "its unit is not known: write it behind the place, like 'in %s', or put it into a "
                "second group of the pattern",
                si_unit);
}

enum status text_numbers_new(struct text_numbers **out, const struct description *d,
                             struct report *rep)
{
    struct text_numbers *t = calloc(1, sizeof *t);
    enum status st = ST_OK;
    *out = t;
    if (!t) return fail(rep, ST_MEMORY, "not enough memory to read text");
    t->d = d;
    line_rules_make(d, &t->rules);
    for (int i = 0; i < INTAKE_COUNT_OF_KEYS && st == ST_OK; i++) {
        enum place_kind kind = d->v[i].place.kind;
        if (intake_rows[i].kind != INTAKE_PLACE || !d->v[i].set) continue;
        if (kind != PLACE_header && kind != PLACE_name && kind != PLACE_table) continue;
        st = make_one(t, (enum intake_key)i, rep);
        if (st != ST_OK) st = description_at(d, (enum intake_key)i, st, rep);
    }
    if (st != ST_OK) text_numbers_free(out);
    return st;
}

void text_numbers_free(struct text_numbers **t)
{
    struct text_numbers *old = *t;
    *t = NULL;
    if (!old) return;
    for (size_t i = 0; i < old->n; i++)
        if (old->one[i].compiled) regfree(&old->one[i].pattern);
    free(old->row);
    free(old->table);
    free(old);
}

size_t text_numbers_count(const struct text_numbers *t)
{
    return t->n;
}

int text_numbers_find(const struct text_numbers *t, enum intake_key key)
{
    for (size_t i = 0; i < t->n; i++)
        if (t->one[i].key == key) return (int)i;
    return -1;
}

/* --- one file --- */

static void copy_group(const char *text, regmatch_t m, char *out, size_t size)
{
    int n = m.rm_so < 0 ? 0 : (int)(m.rm_eo - m.rm_so);
    snprintf(out, size, "%.*s", n, m.rm_so < 0 ? "" : text + m.rm_so);
}

static enum status take_number(struct text_numbers *t, struct one *o, const char *number,
                               const char *unit, struct report *rep)
{
    double value;
    struct unit_scale scale = o->scale;
    if (!line_number(&t->rules, number, &value) || !isfinite(value))
        return description_at(t->d, o->key,
                              fail(rep, ST_INPUT, "'%s' was found, which is not a number%s", number,
                                   t->rules.decimal_comma && strchr(number, '.')
                                       ? " where source.decimal is comma"
                                   : strchr(number, ',') && !t->rules.decimal_comma
                                       ? "; if this is a decimal comma, add under 'source:' the "
                                         "line 'decimal: comma'"
                                       : ""),
                              rep);
    if (*unit && !*o->place->unit &&
        units_scale(unit, intake_rows[o->key].unit, &scale, rep) != ST_OK)
        return description_at(t->d, o->key, ST_INPUT, rep);
    o->si = scale.factor * value + scale.offset;
    o->found = true;
    return ST_OK;
}

static enum status try_pattern(struct text_numbers *t, struct one *o, const char *text,
                               struct report *rep)
{
    regmatch_t match[3];
    char number[64], unit[64] = "";
    if (o->found || regexec(&o->pattern, text, 3, match, 0) != 0) return ST_OK;
    copy_group(text, match[1], number, sizeof number);
    if (o->pattern.re_nsub >= 2) copy_group(text, match[2], unit, sizeof unit);
    return take_number(t, o, number, unit, rep);
}

static enum status look_up(struct text_numbers *t, struct one *o, const char *name,
                           struct report *rep)
{
    char line[1024], *cell[MOST_CELLS], key[300];
    snprintf(key, sizeof key, "%s", name);
    const struct row wanted = {key, NULL};
    const struct row *row = bsearch(&wanted, t->row, t->rows, sizeof *t->row, by_name);
    if (!row)
        return description_at(t->d, o->key,
                              fail(rep, ST_INPUT, "the table has no line for %s", name), rep);
    snprintf(line, sizeof line, "%s", row->cells);
    size_t n = line_split(&t->rules, line, cell);
    if (o->column - 2 >= n)
        return description_at(
            t->d, o->key,
            fail(rep, ST_INPUT, "the table has no column %zu for %s", o->column, name), rep);
    return take_number(t, o, cell[o->column - 2], "", rep);
}

void text_numbers_of(struct text_numbers *t, int segment)
{
    for (size_t i = 0; i < t->n; i++) {
        int of = SEG_APPROACH;
        for (int id = 0; id < SEG_COUNT; id++)
            if (strcmp(intake_rows[t->one[i].key].section, intake_segments[id]) == 0) of = id;
        t->one[i].elsewhere = of != segment;
    }
}

enum status text_numbers_begin(struct text_numbers *t, const char *name, struct report *rep)
{
    enum status st = ST_OK;
    for (size_t i = 0; i < t->n && st == ST_OK; i++) {
        struct one *o = &t->one[i];
        o->found = false;
        if (o->elsewhere) continue;
        if (o->place->kind == PLACE_table) st = look_up(t, o, name, rep);
        if (o->place->kind != PLACE_name) continue;
        st = try_pattern(t, o, name, rep);
        if (st == ST_OK && !o->found)
            st = description_at(t->d, o->key,
                                fail(rep, ST_INPUT,
                                     "the name %s does not fit the pattern; source.files says "
                                     "which files are curves",
                                     name),
                                rep);
    }
    return st;
}

enum status text_numbers_header(struct text_numbers *t, const char *line, struct report *rep)
{
    enum status st = ST_OK;
    for (size_t i = 0; i < t->n && st == ST_OK; i++)
        if (t->one[i].place->kind == PLACE_header && !t->one[i].elsewhere)
            st = try_pattern(t, &t->one[i], line, rep);
    return st;
}

enum status text_numbers_end(const struct text_numbers *t, double *out, struct report *rep)
{
    for (size_t i = 0; i < t->n; i++) {
        out[i] = NAN;
        if (t->one[i].elsewhere) continue;
        if (!t->one[i].found)
            return description_at(t->d, t->one[i].key,
                                  fail(rep, ST_INPUT, "no header line fits the pattern"), rep);
        out[i] = t->one[i].si;
    }
    return ST_OK;
}
