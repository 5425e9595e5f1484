#include "intake/description.h"
#include "base/words.h"

#include "curve/curve.h"
#include "intake/axes.h"

#include <errno.h>
#include <math.h>
#include <regex.h>
#include <stdlib.h>
#include <string.h>

enum { LARGEST_DESCRIPTION = 59000 };
static const char lever_mark[] = "\n--- # lever file\n"; /* begins the second document */

const struct intake_row intake_rows[INTAKE_COUNT_OF_KEYS] = {
#define K(section, key, kind, unit, standard, help)                                                \
    {#section, #key, INTAKE_##kind, unit, standard, help},
    INTAKE_KEYS(K)
#undef K
};

static const struct section_key section_keys[INTAKE_COUNT_OF_KEYS] = {
#define K(section, key, kind, unit, standard, help) {#section, #key},
    INTAKE_KEYS(K)
#undef K
};

static const struct sections intake_sections = {
    .noun = "import description",
    .example = "'source:' and, indented below it, 'kind: text'; see docs/import.md",
    .row = section_keys,
    .n = INTAKE_COUNT_OF_KEYS,
    .longest = SECTIONS_LONGEST,
};

enum intake_key intake_key_of(int segment, enum intake_key of_approach)
{
    static const int first[SEG_COUNT] = {IN_approach_signal, IN_dwell_signal, IN_retract_signal};
    return (enum intake_key)((int)of_approach + first[segment] - IN_approach_signal);
}

enum status description_at(const struct description *d, enum intake_key key, enum status st,
                           struct report *rep)
{
    const struct intake_row *row = &intake_rows[key];
    if (!d->v[key].given) return within(rep, st, "%s.%s: ", row->section, row->key);
    return within(rep, st, "%s: line %d: %s.%s: ", d->path, d->v[key].line, row->section, row->key);
}

enum status description_ask(const struct description *d, enum intake_key key, const char *why,
                            const char *line, struct report *rep)
{
    const struct intake_row *row = &intake_rows[key];
    return fail(rep, ST_RECIPE, "%s%s%s; add under '%s:' the line '%s: %s'", d->path,
                *d->path ? ": " : "", why, row->section, row->key, line);
}

static enum status read_choice(const struct intake_row *row, struct intake_value *v,
                               struct report *rep)
{
    char word[16][32], list[256];
    const char *names[16] = {NULL};
    int n = 0;
    while (n < 16 && words_at(row->unit, (size_t)n, word[n], sizeof word[n])) {
        names[n] = word[n];
        if (strcmp(word[n], v->text) == 0) v->choice = n;
        n++;
    }
    if (v->choice >= 0) return ST_OK;
    int near = words_nearest(v->text, names, (size_t)n);
    words_list(row->unit, list, sizeof list);
    return fail(rep, ST_RECIPE, "'%s' is not known%s%s%s; valid words are %s", v->text,
                near < 0 ? "" : " (did you mean '", near < 0 ? "" : names[near],
                near < 0 ? "" : "'?)", list);
}

static enum status read_number(const struct intake_row *row, struct intake_value *v,
                               struct report *rep)
{
    char *rest;
    v->number = strtod(v->text, &rest);
    if (*rest || rest == v->text || isinf(v->number))
        return fail(rep, ST_RECIPE, "'%s' is not a number", v->text);
    if (row->kind == INTAKE_COUNT &&
        (strspn(v->text, "0123456789") != strlen(v->text) || v->number > strtod(row->unit, NULL)))
        return fail(rep, ST_RECIPE, "'%s' must be a whole number between 0 and %s", v->text,
                    row->unit);
    return ST_OK;
}

static enum status read_pattern(const struct intake_value *v, struct report *rep)
{
    regex_t compiled;
    char why[128];
    int error = regcomp(&compiled, v->text, REG_EXTENDED | REG_NOSUB);
    if (!error) {
        regfree(&compiled);
        return ST_OK;
    }
    regerror(error, &compiled, why, sizeof why);
    return fail(rep, ST_RECIPE, "'%s' is not a pattern: %s", v->text, why);
}

static enum status read_value(const struct intake_row *row, const char *text,
                              struct intake_value *v, struct report *rep)
{
    struct axes axes;
    size_t first, last;
    v->set = true;
    snprintf(v->text, sizeof v->text, "%s", text);
    switch (row->kind) {
    case INTAKE_PLACE:
        return place_find(text, row->unit, &v->place, rep);
    case INTAKE_CHOICE:
        return read_choice(row, v, rep);
    case INTAKE_COUNT:
    case INTAKE_NUMBER:
        return read_number(row, v, rep);
    case INTAKE_PATTERN:
        return read_pattern(v, rep);
    case INTAKE_AXES:
        return axes_read(text, &axes, rep);
    case INTAKE_SPAN:
        return span_read(text, &first, &last, rep);
    default:
        return ST_OK;
    }
}

enum status description_default(struct description *out, struct report *rep)
{
    memset(out, 0, sizeof *out);
    for (int i = 0; i < INTAKE_COUNT_OF_KEYS; i++) {
        out->v[i] = (struct intake_value){.choice = -1, .number = NAN};
        if (*intake_rows[i].standard &&
            read_value(&intake_rows[i], intake_rows[i].standard, &out->v[i], rep) != ST_OK)
            return within(rep, ST_BUG, "default of %s.%s: ", intake_rows[i].section,
                          intake_rows[i].key);
    }
    out->text = calloc(1, 1);
    return out->text ? ST_OK : fail(rep, ST_MEMORY, "no memory for an import description");
}

/* The second document. */
static enum status take_lever_file(struct description *out, const char *text, size_t size,
                                   struct report *rep)
{
    const struct intake_value *key = &out->v[IN_calibration_lever_file];
    struct report why;
    if (!key->set && !text) return ST_OK;
    if (!key->set)
        return fail(rep, ST_RECIPE,
                    "a lever file is appended, but calibration.lever_file does not name one");
    if (!text)
        return fail(rep, ST_RECIPE, "line %d: calibration.lever_file: the text of '%s' is not here",
                    key->line, key->text);
    out->levers = malloc(sizeof *out->levers);
    if (!out->levers) return fail(rep, ST_MEMORY, "no memory for a lever file");
    enum status st = lever_file_parse(out->levers, text, size, key->text, &why);
    if (st == ST_OK) return st;
    return fail(rep, st, "line %d: calibration.lever_file: %s", key->line, why.text);
}

enum status description_parse(struct description *out, const char *text, size_t size,
                              const char *path, struct report *rep)
{
    const char *mark = memmem(text, size, lever_mark, strlen(lever_mark));
    const size_t own = mark ? (size_t)(mark - text) + 1 : size;
    struct section_texts texts = {{NULL}};
    int line[INTAKE_COUNT_OF_KEYS] = {0}, empty = 0;
    enum status st = description_default(out, rep);
    if (st != ST_OK) return st;
    snprintf(out->path, sizeof out->path, "%s", path);
    if (size > LARGEST_DESCRIPTION || memchr(text, 0, size)) {
        st = fail(rep, ST_RECIPE,
                  "this is not an import description (%s); is the order of the files on the "
                  "command line right?",
                  size > LARGEST_DESCRIPTION ? "larger than 59000 bytes" : "it has NUL bytes");
        goto done;
    }
    st = sections_vet(&intake_sections, text, own, line, &empty, rep);
    if (st == ST_OK && !empty) st = sections_load(&intake_sections, &texts, text, own, rep);
    for (int i = 0; i < INTAKE_COUNT_OF_KEYS && st == ST_OK; i++) {
        if (!texts.v[i]) continue;
        out->v[i] = (struct intake_value){.choice = -1, .number = NAN, .given = true};
        out->v[i].line = line[i];
        st = read_value(&intake_rows[i], texts.v[i], &out->v[i], rep);
        if (st != ST_OK)
            st = within(rep, st, "line %d: %s.%s: ", line[i], intake_rows[i].section,
                        intake_rows[i].key);
    }
    if (st == ST_OK)
        st = mark ? take_lever_file(out, mark + strlen(lever_mark),
                                    size - own - strlen(lever_mark) + 1, rep)
                  : take_lever_file(out, NULL, 0, rep);
    char *copy = st == ST_OK ? strndup(text, size) : NULL;
    if (copy) {
        free(out->text);
        out->text = copy;
    } else if (st == ST_OK) {
        st = fail(rep, ST_MEMORY, "no memory for an import description");
    }
done:
    section_texts_free(&texts);
    if (st != ST_OK) {
        description_free(out);
        st = within(rep, st, "%s: ", path);
    }
    return st;
}

/* Append a file to text [LARGEST_DESCRIPTION + 1]; *size is one more than the largest when it does
 * not fit. */
static enum status read_file(const char *path, const char *what, char *text, size_t *size,
                             struct report *rep)
{
    FILE *file = fopen(path, "rb");
    if (!file)
        return fail(rep, ST_INPUT, "%s: cannot open this %s: %s", path, what, strerror(errno));
    *size += fread(text + *size, 1, LARGEST_DESCRIPTION + 1 - *size, file);
    enum status st = ST_OK;
    if (ferror(file)) st = fail(rep, ST_INPUT, "%s: cannot be read: %s", path, strerror(errno));
    fclose(file);
    return st;
}

/* Which lever file the text names, seen from the folder of the description; "" when none, or when
 * the text has it already. A text with another mistake is left to description_parse. */
static void lever_path(const char *text, size_t size, const char *path, char *out, size_t room)
{
    struct section_texts texts = {{NULL}};
    struct report unused;
    int line[INTAKE_COUNT_OF_KEYS] = {0}, empty = 0;
    const char *slash = strrchr(path, '/');
    *out = 0;
    if (size > LARGEST_DESCRIPTION || memchr(text, 0, size) ||
        memmem(text, size, lever_mark, strlen(lever_mark)))
        return;
    enum status st = sections_vet(&intake_sections, text, size, line, &empty, &unused);
    if (st == ST_OK && !empty) st = sections_load(&intake_sections, &texts, text, size, &unused);
    const char *name = st == ST_OK ? texts.v[IN_calibration_lever_file] : NULL;
    int folder = !name || *name == '/' || !slash ? 0 : (int)(slash - path + 1);
    if (name) snprintf(out, room, "%.*s%s", folder, path, name);
    section_texts_free(&texts);
}

enum status description_load(struct description *out, const char *path, struct report *rep)
{
    char *text = malloc(LARGEST_DESCRIPTION + 1), lever[4096 + SECTIONS_LONGEST];
    size_t size = 0, mark = strlen(lever_mark);
    *out = (struct description){.text = NULL};
    if (!text) return fail(rep, ST_MEMORY, "no memory to read %s", path);
    enum status st = read_file(path, "import description", text, &size, rep);
    if (st == ST_OK) lever_path(text, size, path, lever, sizeof lever);
    if (st == ST_OK && *lever && size + mark <= LARGEST_DESCRIPTION) {
        memcpy(text + size, lever_mark, mark);
        size += mark;
        st = read_file(lever, "lever file", text, &size, rep);
        if (st != ST_OK) st = within(rep, st, "%s: calibration.lever_file: ", path);
    }
    if (st == ST_OK) st = description_parse(out, text, size, path, rep);
    free(text);
    return st;
}

void description_free(struct description *d)
{
    free(d->text);
    free(d->levers);
    d->text = NULL;
    d->levers = NULL;
}

/* --- the reference page --- */

static const char *kind_words(const struct intake_row *row, char *out, size_t size)
{
    switch (row->kind) {
    case INTAKE_PLACE:
        if (strcmp(row->unit, "*") == 0) return "place";
        if (strcmp(row->unit, "1") == 0) return "place, or a number";
        snprintf(out, size, "place, or a quantity in %s or alike",
                 strcmp(row->unit, "rad") == 0 ? "degree" : row->unit);
        return out;
    case INTAKE_CHOICE:
        words_list(row->unit, out, size);
        return out;
    case INTAKE_COUNT:
        return "whole number";
    case INTAKE_NUMBER:
        return "number";
    case INTAKE_PATTERN:
        return "pattern";
    case INTAKE_AXES:
        return "axes";
    case INTAKE_SPAN:
        return "FIRST..LAST";
    default:
        return "text";
    }
}

static void put_cell(FILE *out, const char *text)
{
    fputs("| ", out);
    for (; *text; text++)
        fprintf(out, *text == '|' ? "\\|" : "%c", *text);
    fputc(' ', out);
}

void description_manual(FILE *out)
{
    const char *section = "";
    char words[256];
    fputs("# Keys of an import description\n\n"
          "<!-- printed by `cantle manual import`: change the table in src/intake/description.h, "
          "not this page -->\n\n"
          "An import description is a YAML text: sections with keys. [import.md](import.md) shows "
          "how one is made.\n\n"
          "A place says where something is, and may end in its unit: `/data/height in um`, "
          "`column 2 in V`. The unit\ncan be left out where the source states it (attribute "
          "`units` of an HDF5 dataset); `in @NAME` takes it from\nthe attribute NAME.\n\n"
          "| place | what it means |\n|---|---|\n"
          "| `/PATH` | hdf5: a dataset |\n"
          "| `/PATH@NAME` | hdf5: an attribute of a dataset or group; `@NAME` is one of the file "
          "|\n",
          out);
#define P(name, help) fprintf(out, "| `%s` | %s |\n", #name, help);
    PLACE_LIST(P)
#undef P
    fputs("| a quantity | `0.35 N/m`: the value itself |\n\nA pattern is an extended regular "
          "expression of POSIX. Put it in single quotes: YAML gives `#` and `:` a\nmeaning of "
          "their own.\n",
          out);
    for (int i = 0; i < INTAKE_COUNT_OF_KEYS; i++) {
        const struct intake_row *row = &intake_rows[i];
        /* the three segments have the same keys */
        if (strcmp(row->section, "dwell") == 0 || strcmp(row->section, "retract") == 0) continue;
        if (strcmp(section, row->section) != 0)
            fprintf(out, "\n## %s%s\n\n| key | value | default | meaning |\n|---|---|---|---|\n",
                    row->section, strcmp(row->section, "approach") == 0 ? ", dwell, retract" : "");
        section = row->section;
        fprintf(out, "| `%s` ", row->key);
        put_cell(out, kind_words(row, words, sizeof words));
        put_cell(out, *row->standard ? row->standard : "");
        put_cell(out, row->help);
        fputs("|\n", out);
    }
}
