#include "intake/text_rows.h"

#include <math.h>
#include <regex.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_COLUMNS = SEG_COUNT * LEAF_COUNT + 1, MARKER = SEG_COUNT * LEAF_COUNT };

struct text_rows {
    const struct description *d;
    struct line_rules rules;
    enum segmentation how;
    enum intake_key key[MOST_COLUMNS]; /* where each column is said to be */
    bool wanted[MOST_COLUMNS];
    size_t at[MOST_COLUMNS]; /* its number in the file, from 0 */
    double *value[MOST_COLUMNS];
    unsigned char *segment; /* of each row: blocks and marker */
    size_t n, room;
    regex_t begins[SEG_COUNT]; /* of blocks, or in_files */
    bool has_begins[SEG_COUNT];
    int own;                                   /* files: the segment of the file at hand */
    size_t first[SEG_COUNT], count[SEG_COUNT]; /* rows of each segment */
};

enum intake_key text_leaf_key(const struct description *d, enum segment_id id, int leaf)
{
    static const enum intake_key keys[LEAF_COUNT] = {IN_approach_signal, IN_approach_z,
                                                     IN_approach_lateral};
    enum intake_key own = intake_key_of(id, keys[leaf]);
    bool separate = d->v[IN_source_segments].choice == SEGMENTS_SEPARATE;
    return d->v[own].set || separate ? own : keys[leaf];
}

bool text_has_segment(const struct description *d, enum segment_id id)
{
    switch ((enum segmentation)d->v[IN_source_segments].choice) {
    case SEGMENTS_SEPARATE:
        return d->v[intake_key_of(id, IN_approach_signal)].set;
    case SEGMENTS_TURN:
        return id != SEG_DWELL;
    case SEGMENTS_MARKER:
        return d->v[intake_key_of(id, IN_approach_marker_is)].set;
    case SEGMENTS_FILES:
        return d->v[intake_key_of(id, IN_approach_in_files)].set;
    default:
        return d->v[intake_key_of(id, IN_approach_begins)].set;
    }
}

struct text_rows *text_rows_new(const struct description *d)
{
    struct text_rows *r = calloc(1, sizeof *r);
    if (!r) return NULL;
    r->d = d;
    r->how = (enum segmentation)d->v[IN_source_segments].choice;
    line_rules_make(d, &r->rules);
    for (int id = 0; id < SEG_COUNT; id++) {
        for (int leaf = 0; leaf < LEAF_COUNT; leaf++) {
            int i = id * LEAF_COUNT + leaf;
            r->key[i] = text_leaf_key(d, (enum segment_id)id, leaf);
            r->wanted[i] = text_has_segment(d, (enum segment_id)id) && d->v[r->key[i]].set;
        }
        bool files = r->how == SEGMENTS_FILES;
        enum intake_key begins = intake_key_of(id,
                                               files ? IN_approach_in_files : IN_approach_begins);
        if ((files || r->how == SEGMENTS_BLOCKS) && d->v[begins].set)
            r->has_begins[id] = regcomp(&r->begins[id], d->v[begins].text, REG_EXTENDED) == 0;
    }
    r->key[MARKER] = IN_source_marker;
    r->wanted[MARKER] = r->how == SEGMENTS_MARKER;
    return r;
}

void text_rows_free(struct text_rows **r)
{
    struct text_rows *old = *r;
    *r = NULL;
    if (!old) return;
    for (int i = 0; i < MOST_COLUMNS; i++) {
        free(old->value[i]);
    }
    for (int id = 0; id < SEG_COUNT; id++)
        if (old->has_begins[id]) regfree(&old->begins[id]);
    free(old->segment);
    free(old);
}

/* --- which file --- */

enum status text_rows_file(struct text_rows *r, const char *name, enum segment_id *id, char **curve,
                           struct report *rep)
{
    regmatch_t m, found = {0};
    r->own = SEG_COUNT;
    *curve = NULL;
    for (int i = 0; i < SEG_COUNT; i++) {
        if (!r->has_begins[i] || regexec(&r->begins[i], name, 1, &m, 0) != 0) continue;
        if (r->own != SEG_COUNT)
            return fail(rep, ST_INPUT, "its name fits %s.in_files and %s.in_files",
                        intake_rows[intake_key_of(r->own, IN_approach_in_files)].section,
                        intake_rows[intake_key_of(i, IN_approach_in_files)].section);
        r->own = i;
        found = m;
    }
    if (r->own == SEG_COUNT)
        return fail(rep, ST_INPUT,
                    "its name fits the in_files of no segment; source.files says which files are "
                    "curves");
    *id = (enum segment_id)r->own;
    return asprintf(curve, "%.*s%s", (int)found.rm_so, name, name + found.rm_eo) >= 0
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory for a name");
}

static bool reads(const struct text_rows *r, int column)
{
    return r->wanted[column] && (r->how != SEGMENTS_FILES || column / LEAF_COUNT == r->own);
}

/* --- which column --- */

static enum status find_column(struct text_rows *r, int i, char **name, size_t names,
                               struct report *rep)
{
    const struct place *p = &r->d->v[r->key[i]].place;
    char *rest, list[300] = "";
    if (p->kind != PLACE_column)
        return description_at(
            r->d, r->key[i],
            fail(rep, ST_RECIPE, "of a text must be a column, like 'column 2 in V'"), rep);
    unsigned long number = strtoul(p->what, &rest, 10);
    if (!*rest && number > 0) {
        r->at[i] = number - 1;
        return ST_OK;
    }
    for (size_t k = 0; k < names; k++) {
        if (strcmp(name[k], p->what) == 0) {
            r->at[i] = k;
            return ST_OK;
        }
        snprintf(list + strlen(list), sizeof list - strlen(list), "%s%s", k ? ", " : "", name[k]);
    }
    enum status st = names == 0
                         ? fail(rep, ST_RECIPE,
                                "the column has a name, but no line of names is known; say which "
                                "it is with source.names_line")
                         : fail(rep, ST_INPUT, "no column has this name; the names are %s", list);
    return description_at(r->d, r->key[i], st, rep);
}

/* The comment character before the names belongs to none of them. */
static enum status find_columns(struct text_rows *r, char *names_line, struct report *rep)
{
    char *name[MOST_CELLS];
    size_t n = 0;
    enum status st = ST_OK;
    if (names_line) {
        names_line += strspn(names_line, " \t");
        if (*names_line && strchr(r->rules.comment, *names_line)) names_line++;
        n = line_split(&r->rules, names_line, name);
    }
    for (int i = 0; i < MOST_COLUMNS && st == ST_OK; i++)
        if (reads(r, i)) st = find_column(r, i, name, n, rep);
    return st;
}

/* --- rows --- */

static enum status make_room(struct text_rows *r, struct report *rep)
{
    if (r->n < r->room) return ST_OK;
    size_t room = r->room ? 2 * r->room : 4096;
    for (int i = 0; i < MOST_COLUMNS; i++) {
        if (!r->wanted[i]) continue;
        double *more = realloc(r->value[i], room * sizeof *more);
        if (!more) return fail(rep, ST_MEMORY, "not enough memory for %zu rows", room);
        r->value[i] = more;
    }
    unsigned char *more = realloc(r->segment, room);
    if (!more) return fail(rep, ST_MEMORY, "not enough memory for %zu rows", room);
    r->segment = more;
    r->room = room;
    return ST_OK;
}

static enum status bad_cell(const struct text_rows *r, const char *cell, size_t column,
                            struct report *rep)
{
    bool comma = strchr(cell, ',') && !r->rules.decimal_comma;
    return fail(rep, ST_INPUT, "column %zu: '%.40s' is not a number%s", column + 1, cell,
                comma       ? "; if this is a decimal comma, add under 'source:' the line "
                              "'decimal: comma'"
                : r->n == 0 ? "; if this line is none of data, say so with source.header_lines, "
                              "names_line or comment"
                            : "");
}

static enum status take_row(struct text_rows *r, char *line, int segment, struct report *rep)
{
    char *cell[MOST_CELLS];
    size_t n = line_split(&r->rules, line, cell);
    enum status st = make_room(r, rep);
    if (st != ST_OK) return st;
    for (int i = 0; i < MOST_COLUMNS; i++) {
        if (!reads(r, i)) continue;
        size_t at = r->at[i];
        /* a shorter segment ends earlier: its cells may be left out */
        if (at >= n && (r->how != SEGMENTS_SEPARATE || r->n == 0))
            return fail(rep, ST_INPUT,
                        "has %zu columns, column %zu is asked for; is source.separator right?", n,
                        at + 1);
        r->value[i][r->n] = NAN;
        if (at < n && !line_number(&r->rules, cell[at], &r->value[i][r->n]))
            return bad_cell(r, cell[at], at, rep);
    }
    r->segment[r->n++] = (unsigned char)segment;
    return ST_OK;
}

static int block_of(const struct text_rows *r, const char *line, int before)
{
    for (int id = 0; id < SEG_COUNT; id++)
        if (r->how == SEGMENTS_BLOCKS && r->has_begins[id] &&
            regexec(&r->begins[id], line, 0, NULL, 0) == 0)
            return id;
    return before;
}

static enum status read_lines(struct text_rows *r, char *text, struct text_numbers *numbers,
                              struct report *rep)
{
    enum status st = ST_OK;
    size_t number = 0;
    int segment = SEG_COUNT;
    char *rest = text, *line, *names = NULL;
    bool found = false;
    while (st == ST_OK && (line = line_next(&rest))) {
        bool header = line_is_header(&r->rules, line, ++number);
        if (header) {
            segment = block_of(r, line, segment);
            st = text_numbers_header(numbers, line, rep);
            if (number == r->rules.names_line) names = line;
        } else {
            if (!found) st = find_columns(r, names, rep);
            found = true;
            if (st == ST_OK) st = take_row(r, line, segment, rep);
        }
        if (st != ST_OK) st = within(rep, st, "line %zu: ", number);
    }
    return st;
}

/* --- segments --- */

static enum status cut_separate(struct text_rows *r, struct report *rep)
{
    (void)rep;
    for (int id = 0; id < SEG_COUNT; id++) {
        const double *signal = r->value[id * LEAF_COUNT], *z = r->value[id * LEAF_COUNT + LEAF_Z];
        r->first[id] = 0;
        r->count[id] = r->wanted[id * LEAF_COUNT] ? r->n : 0;
        bool has_z = r->wanted[id * LEAF_COUNT + LEAF_Z];
        while (r->count[id] > 0 && isnan(signal[r->count[id] - 1]) &&
               (!has_z || isnan(z[r->count[id] - 1])))
            r->count[id]--;
    }
    return ST_OK;
}

static enum status cut_at_turn(struct text_rows *r, struct report *rep)
{
    if (!r->wanted[LEAF_Z])
        return fail(rep, ST_RECIPE, "source.segments is turn, which needs approach.z as a column");
    const double *z = r->value[LEAF_Z];
    double sense = r->d->v[IN_z_direction].choice == 1 ? -1 : 1;
    size_t turn = 0;
    for (size_t i = 1; i < r->n; i++)
        if (sense * z[i] > sense * z[turn] || isnan(z[turn])) turn = i;
    /* a turning point that is written twice, once for each segment, belongs once to each */
    while (turn > 0 && sense * (z[turn] - z[turn - 1]) <= 1e-9 * fabs(z[turn] - z[0]))
        turn--;
    r->count[SEG_APPROACH] = turn + 1;
    r->first[SEG_RETRACT] = turn + 1;
    r->count[SEG_RETRACT] = r->n - turn - 1;
    return ST_OK;
}

/* Rows of one segment follow each other: any other order would not be one of time. */
static enum status cut_by_label(struct text_rows *r, struct report *rep)
{
    for (int id = 0; id < SEG_COUNT; id++) {
        enum intake_key is = intake_key_of(id, IN_approach_marker_is);
        size_t end = 0;
        r->first[id] = r->count[id] = 0;
        for (size_t i = 0; i < r->n; i++) {
            bool ours = r->how == SEGMENTS_MARKER
                            ? r->d->v[is].set && r->value[MARKER][i] == r->d->v[is].number
                            : r->segment[i] == id;
            if (!ours) continue;
            if (r->count[id] == 0) r->first[id] = i;
            r->count[id]++;
            end = i + 1;
        }
        if (r->count[id] > 0 && end - r->first[id] != r->count[id])
            return fail(rep, ST_INPUT, "the rows of the %s are not one run",
                        intake_rows[intake_key_of(id, IN_approach_signal)].section);
    }
    return ST_OK;
}

static enum status cut_nothing(struct text_rows *r, struct report *rep)
{
    (void)rep;
    for (int id = 0; id < SEG_COUNT; id++) {
        r->first[id] = 0;
        r->count[id] = id == r->own ? r->n : 0;
    }
    return ST_OK;
}

enum status text_rows_read(struct text_rows *r, const struct file_text *file,
                           struct text_numbers *numbers, struct report *rep)
{
    static enum status (*const cut[])(struct text_rows *, struct report *) = {
        cut_separate, cut_at_turn, cut_by_label, cut_by_label, cut_nothing};
    r->n = 0;
    char *copy = strndup(file->text, file->size);
    if (!copy) return fail(rep, ST_MEMORY, "not enough memory to read it");
    enum status st = strlen(copy) == file->size
                         ? read_lines(r, copy, numbers, rep)
                         : fail(rep, ST_INPUT,
                                "has NUL bytes, so it is not text; source.files "
                                "says which files are curves");
    if (st == ST_OK && r->n == 0) st = fail(rep, ST_INPUT, "has no line of numbers");
    if (st == ST_OK) st = cut[r->how](r, rep);
    free(copy);
    return st;
}

const double *text_rows_column(const struct text_rows *r, enum segment_id id, int leaf, size_t *n)
{
    int i = (int)id * LEAF_COUNT + leaf;
    *n = r->count[id];
    return r->wanted[i] ? r->value[i] + r->first[id] : NULL;
}
