/* The reader of masks: one function a rule of the grammar.
 *   mask   = both { "or" both }
 *   both   = one { "and" one }
 *   one    = "not" one | "(" mask ")" | rule
 *   rule   = MAP ORDER QUANTITY | "known" MAP | "has" ["not"] FLAG | "is" ["not"] STATE
 *          | "rectangle(" X Y "," X Y ")" | "polygon(" X Y { "," X Y } ")"
 *          | "dataset(" FILE ":" PATH ")" [ "=" NUMBER ]
 *          | "largest(" mask ")" | "regions(" mask "," AREA ")"                          */
#include "review/mask_private.h"

#include "base/units.h"
#include "base/words.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { WORD = 64, DEEPEST = 64, LONGEST = 65536, CORNERS_MOST = 10000 };

struct reader {
    struct mask *mask;
    const char *text, *at;
    int depth;
    struct report *rep;
};

/* Words that begin a rule other than a comparison. */
enum { RULES = 8 };
static const struct {
    const char *word;
    enum mask_kind kind;
} rules[RULES] = {{"known", MASK_KNOWN},     {"has", MASK_FLAG},
                  {"is", MASK_STATE},        {"rectangle", MASK_RECTANGLE},
                  {"polygon", MASK_POLYGON}, {"dataset", MASK_DATASET},
                  {"largest", MASK_LARGEST}, {"regions", MASK_REGIONS}};

static const char blanks[] = " \t\n\r";

static void skip(struct reader *r)
{
    r->at += strspn(r->at, blanks);
}

/* The message is stored; say where. */
static enum status there(struct reader *r, const char *place, enum status st)
{
    return mask_at(r->rep, st, r->text, (size_t)(place - r->text));
}

static enum status no_memory(struct reader *r)
{
    return fail(r->rep, ST_MEMORY, "not enough memory to read a mask");
}

static size_t word_length(const char *at)
{
    size_t n = 0;
    while (isalnum((unsigned char)at[n]) || at[n] == '_')
        n++;
    return n;
}

/* The word at this place, not taken yet; "" when there is none. */
static size_t look(struct reader *r, char word[WORD])
{
    skip(r);
    size_t n = word_length(r->at);
    snprintf(word, WORD, "%.*s", (int)(n < WORD ? n : WORD - 1), r->at);
    return n;
}

static bool take_word(struct reader *r, const char *wanted)
{
    char word[WORD];
    size_t n = look(r, word);
    if (strcmp(word, wanted) != 0) return false;
    r->at += n;
    return true;
}

static bool take(struct reader *r, char c)
{
    skip(r);
    if (*r->at != c) return false;
    r->at++;
    return true;
}

static enum status expect(struct reader *r, char c, const char *why)
{
    if (take(r, c)) return ST_OK;
    return there(r, r->at, fail(r->rep, ST_USAGE, "expected '%c' %s", c, why));
}

static enum status make(struct reader *r, enum mask_kind kind, const char *place,
                        struct mask_node **out)
{
    *out = calloc(1, sizeof **out);
    if (!*out) return no_memory(r);
    (*out)->kind = kind;
    (*out)->place = (size_t)(place - r->text);
    return ST_OK;
}

/* A number and a unit, up to a blank, comma or bracket behind the unit. */
static enum status read_quantity(struct reader *r, const char *si_unit, double *out)
{
    char text[128], *end;
    skip(r);
    const char *start = r->at;
    strtod(start, &end);
    if (end == start)
        return there(r, start, fail(r->rep, ST_USAGE, "expected a number, with its unit"));
    const char *unit = end + strspn(end, blanks);
    size_t n = word_length(unit);
    bool joins = (n == 3 && strncmp(unit, "and", 3) == 0) || (n == 2 && !strncmp(unit, "or", 2));
    const char *stop = joins ? end : unit + strcspn(unit, " \t\n\r(),");
    snprintf(text, sizeof text, "%.*s", (int)(stop - start < 127 ? stop - start : 127), start);
    if (units_quantity(text, si_unit, out, r->rep) != ST_OK) return there(r, start, ST_USAGE);
    r->at = stop;
    return ST_OK;
}

static enum status read_number(struct reader *r, double *out, const char *what)
{
    char *end;
    skip(r);
    *out = strtod(r->at, &end);
    if (end == r->at || !isfinite(*out))
        return there(r, r->at, fail(r->rep, ST_USAGE, "expected %s", what));
    r->at = end;
    return ST_OK;
}

/* Names that may stand at a place. */
struct names {
    const char *what, *list; /* "a flag"; list: what there is, for a word that is far off */
    const char *name[MAP_COUNT + 64]; /* [n], then others that may have been meant */
    int n, others;
};

/* A name, by index: the word of `length` bytes that stands here. */
static enum status read_name(struct reader *r, const struct names *names, const char *word,
                             size_t length, int *out)
{
    for (*out = 0; *out < names->n; ++*out)
        if (length < WORD && strcmp(word, names->name[*out]) == 0) {
            r->at += length;
            return ST_OK;
        }
    int near = words_nearest(word, names->name, (size_t)(names->n + names->others));
    return there(
        r, r->at,
        near >= 0 ? fail(r->rep, ST_USAGE, "'%s' is not %s; did you mean %s?", word, names->what,
                         names->name[near])
        : length
            ? fail(r->rep, ST_USAGE, "'%s' is not %s; there are %s", word, names->what, names->list)
            : fail(r->rep, ST_USAGE, "expected %s; there are %s", names->what, names->list));
}

static enum status read_flag(struct reader *r, int *out)
{
    char word[WORD];
    struct names names = {
        .what = "a flag", .n = FLAG_COUNT, .list = "those that `cantle manual flags` lists"};
    for (int i = 0; i < FLAG_COUNT; i++)
        names.name[i] = flag_rows[i].name;
    size_t length = look(r, word);
    return read_name(r, &names, word, length, out);
}

static enum status read_state(struct reader *r, int *out)
{
    char word[WORD];
    struct names names = {.what = "a state",
                          .n = STATE_COUNT,
                          .list = "accepted, doubtful, rejected, absent and pending"};
    for (int i = 0; i < STATE_COUNT; i++)
        names.name[i] = state_rows[i].name;
    size_t length = look(r, word);
    return read_name(r, &names, word, length, out);
}

/* A map's name at this place: with ":3" for one layer of a map that has several. */
static size_t look_map(struct reader *r, char word[WORD])
{
    size_t n = look(r, word), digits = 0;
    if (n > 0 && r->at[n] == ':')
        while (isdigit((unsigned char)r->at[n + 1 + digits]))
            digits++;
    if (digits) n += 1 + digits;
    snprintf(word, WORD, "%.*s", (int)(n < WORD ? n : WORD - 1), r->at);
    return n;
}

/* NAME_errors (or NAME_errors:3) of a map that has errors; -1 if it is none. */
static int find_error(const char *word)
{
    char name[WORD + 32];
    for (int i = 0; i < MAP_COUNT; i++) {
        if (!map_rows[i].errors) continue;
        snprintf(name, sizeof name, map_rows[i].axis ? "%s_errors:%zu" : "%s_errors",
                 map_rows[i].name, map_layer(i) + 1);
        if (strcmp(word, name) == 0) return i;
    }
    return -1;
}

/* NAME or NAME_errors */
static enum status read_map(struct reader *r, struct mask_node *n)
{
    char word[WORD], label[MAP_COUNT][64];
    struct names names = {.what = "a map or rule",
                          .n = MAP_COUNT,
                          .list = "the maps that `cantle manual maps` lists, known, has, is, not, "
                                  "rectangle, polygon, dataset, largest and regions"};
    for (int i = 0; i < MAP_COUNT; i++) {
        map_label(i, label[i]);
        names.name[i] = label[i];
    }
    for (; names.others < RULES; names.others++)
        names.name[MAP_COUNT + names.others] = rules[names.others].word;
    size_t length = look_map(r, word);
    int map = find_error(word);
    if (map < 0) return read_name(r, &names, word, length, &n->map);
    n->map = map;
    n->error = true;
    r->at += length;
    return ST_OK;
}

static enum status read_order(struct reader *r, enum mask_order *out)
{
    skip(r);
    char first = *r->at;
    if (first != '<' && first != '>')
        return there(
            r, r->at,
            fail(r->rep, ST_USAGE, "expected <, <=, > or >= and a quantity behind the map's name"));
    bool equal = r->at[1] == '=';
    r->at += equal ? 2 : 1;
    *out = first == '<' ? (equal ? ORDER_LESS_EQUAL : ORDER_LESS)
                        : (equal ? ORDER_GREATER_EQUAL : ORDER_GREATER);
    return ST_OK;
}

static enum status read_comparison(struct reader *r, struct mask_node *n)
{
    enum status st = read_map(r, n);
    if (st == ST_OK) st = read_order(r, &n->order);
    if (st == ST_OK) st = read_quantity(r, map_rows[n->map].si_unit, &n->number);
    return st;
}

static enum status add_corner(struct reader *r, struct mask_node *n, double x_um, double y_um)
{
    double *more = realloc(n->corner, (n->n_corners + 1) * 2 * sizeof *more);
    if (!more) return no_memory(r);
    n->corner = more;
    more[2 * n->n_corners] = x_um * 1e-6;
    more[2 * n->n_corners + 1] = y_um * 1e-6;
    n->n_corners++;
    return ST_OK;
}

/* ( X Y, X Y, ... ) in micrometres. */
static enum status read_corners(struct reader *r, struct mask_node *n)
{
    const char *start = r->at;
    enum status st = expect(r, '(', "and corners in um: x y, x y");
    do {
        double x = 0, y = 0;
        if (st == ST_OK) st = read_number(r, &x, "x of a corner in um, without a unit");
        if (st == ST_OK) st = read_number(r, &y, "y of this corner in um, without a unit");
        if (st == ST_OK) st = add_corner(r, n, x, y);
    } while (st == ST_OK && n->n_corners < CORNERS_MOST && take(r, ','));
    if (st == ST_OK) st = expect(r, ')', "or ', x y' behind a corner; numbers are um");
    if (st != ST_OK) return st;
    if (n->kind == MASK_RECTANGLE && n->n_corners != 2)
        return there(r, start,
                     fail(r->rep, ST_USAGE, "a rectangle is two opposite corners: x y, x y"));
    if (n->kind == MASK_POLYGON && n->n_corners < 3)
        return there(r, start, fail(r->rep, ST_USAGE, "a polygon has three corners at least"));
    return ST_OK;
}

static enum status add_source(struct reader *r, struct mask_node *n, const char *place,
                              const char *text, size_t length)
{
    struct mask *m = r->mask;
    const char *colon = memmem(text, length, ":/", 2);
    if (!colon || colon == text)
        return there(r, place,
                     fail(r->rep, ST_USAGE,
                          "write a dataset as dataset(FILE.h5:/path/to/it); in quotes if it holds "
                          "a bracket"));
    struct mask_source *more = realloc(m->source, (m->n_sources + 1) * sizeof *more);
    if (!more) return no_memory(r);
    m->source = more;
    n->which = (int)m->n_sources;
    more += m->n_sources++;
    *more = (struct mask_source){strndup(text, (size_t)(colon - text)),
                                 strndup(colon + 1, length - (size_t)(colon + 1 - text)), NULL};
    return more->file && more->path ? ST_OK : no_memory(r);
}

static enum status read_dataset(struct reader *r, struct mask_node *n)
{
    enum status st = expect(r, '(', "and FILE.h5:/path");
    if (st != ST_OK) return st;
    skip(r);
    bool quoted = *r->at == '"' || *r->at == '\'';
    const char *place = r->at, *start = place + quoted, *end;
    end = quoted ? strchr(start, *place) : start + strcspn(start, ")");
    if (!end) return there(r, place, fail(r->rep, ST_USAGE, "this quote is not closed"));
    const char *last = end;
    while (!quoted && last > start && strchr(blanks, last[-1]))
        last--;
    st = add_source(r, n, place, start, (size_t)(last - start));
    r->at = end + quoted;
    if (st == ST_OK) st = expect(r, ')', "behind the dataset");
    if (st != ST_OK || !take(r, '=')) return st;
    n->has_number = true;
    return read_number(r, &n->number, "a number");
}

static enum status read_mask(struct reader *r, struct mask_node **out);

/* "20 pixels" or an area */
static enum status read_size(struct reader *r, struct mask_node *n)
{
    char *end;
    skip(r);
    const char *start = r->at;
    n->number = strtod(start, &end);
    r->at = end;
    n->in_pixels = end > start && (take_word(r, "pixels") || take_word(r, "pixel"));
    if (!n->in_pixels) {
        r->at = start;
        enum status st = read_quantity(r, "m2", &n->number);
        if (st != ST_OK) return st;
    }
    if (isfinite(n->number) && n->number > 0) return ST_OK;
    return there(r, start, fail(r->rep, ST_USAGE, "a region is larger than nothing"));
}

static enum status read_regions(struct reader *r, struct mask_node *n)
{
    enum status st = expect(r, '(', "and the mask whose regions are meant");
    if (st == ST_OK) st = read_mask(r, &n->a);
    if (st == ST_OK && n->kind == MASK_REGIONS) {
        st = expect(r, ',', "and the least size, such as 4 um2 or 20 pixels");
        if (st == ST_OK) st = read_size(r, n);
    }
    return st == ST_OK ? expect(r, ')', "behind the regions") : st;
}

/* "has not steep" is a NOT around the rule. */
static enum status negate(struct reader *r, struct mask_node **out)
{
    struct mask_node *outer;
    enum status st = make(r, MASK_NOT, r->text + (*out)->place, &outer);
    if (st != ST_OK) return st;
    outer->a = *out;
    *out = outer;
    return ST_OK;
}

static enum status read_mark(struct reader *r, struct mask_node **out)
{
    bool negated = take_word(r, "not");
    enum status st = (*out)->kind == MASK_FLAG ? read_flag(r, &(*out)->which)
                                               : read_state(r, &(*out)->which);
    return st == ST_OK && negated ? negate(r, out) : st;
}

static enum status read_rule(struct reader *r, struct mask_node **out)
{
    skip(r);
    enum status st = make(r, MASK_COMPARE, r->at, out);
    if (st != ST_OK) return st;
    for (size_t i = 0; i < RULES && (*out)->kind == MASK_COMPARE; i++)
        if (take_word(r, rules[i].word)) (*out)->kind = rules[i].kind;
    switch ((*out)->kind) {
    case MASK_KNOWN:
        return read_map(r, *out);
    case MASK_FLAG:
    case MASK_STATE:
        return read_mark(r, out);
    case MASK_RECTANGLE:
    case MASK_POLYGON:
        return read_corners(r, *out);
    case MASK_DATASET:
        return read_dataset(r, *out);
    case MASK_LARGEST:
    case MASK_REGIONS:
        return read_regions(r, *out);
    default:
        return read_comparison(r, *out);
    }
}

static enum status read_one(struct reader *r, struct mask_node **out)
{
    enum status st;
    skip(r);
    const char *place = r->at;
    if (r->depth >= DEEPEST)
        return there(r, place, fail(r->rep, ST_USAGE, "more than %d deep", DEEPEST));
    r->depth++;
    if (take_word(r, "not")) {
        st = make(r, MASK_NOT, place, out);
        if (st == ST_OK) st = read_one(r, &(*out)->a);
    } else if (take(r, '(')) {
        st = read_mask(r, out);
        if (st == ST_OK) st = expect(r, ')', "to close a bracket, or 'and', 'or'");
    } else {
        st = read_rule(r, out);
    }
    r->depth--;
    return st;
}

/* `next` { word `next` }, grouped from the left. */
static enum status read_chain(struct reader *r, const char *word, enum mask_kind kind,
                              enum status (*next)(struct reader *, struct mask_node **),
                              struct mask_node **out)
{
    enum status st = next(r, out);
    for (int links = 0; st == ST_OK && take_word(r, word); links++) {
        struct mask_node *outer;
        if (links >= 1000)
            return there(r, r->at, fail(r->rep, ST_USAGE, "too many rules in one mask"));
        st = make(r, kind, r->at, &outer);
        if (st != ST_OK) return st;
        outer->a = *out;
        *out = outer;
        st = next(r, &outer->b);
    }
    return st;
}

static enum status read_both(struct reader *r, struct mask_node **out)
{
    return read_chain(r, "and", MASK_AND, read_one, out);
}

static enum status read_mask(struct reader *r, struct mask_node **out)
{
    return read_chain(r, "or", MASK_OR, read_both, out);
}

enum status mask_parse(struct mask **out, const char *text, struct report *rep)
{
    enum status st = ST_OK;
    *out = calloc(1, sizeof **out);
    struct reader r = {.mask = *out, .rep = rep};
    if (*out) (*out)->text = strdup(text);
    if (!*out || !(*out)->text) {
        st = no_memory(&r);
    } else if (strlen(text) > LONGEST) {
        st = fail(rep, ST_USAGE, "mask: longer than %d bytes", LONGEST);
    } else {
        r.text = r.at = (*out)->text;
        st = read_mask(&r, &(*out)->root);
        skip(&r);
        if (st == ST_OK && *r.at)
            st = there(&r, r.at, fail(rep, ST_USAGE, "expected 'and', 'or' or the end"));
    }
    if (st != ST_OK) mask_free(out);
    return st;
}
