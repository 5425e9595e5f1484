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

enum status description_parse(struct description *out, const char *text, size_t size,
                              const char *path, struct report *rep)
{
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
    st = sections_vet(&intake_sections, text, size, line, &empty, rep);
    if (st == ST_OK && !empty) st = sections_load(&intake_sections, &texts, text, size, rep);
    for (int i = 0; i < INTAKE_COUNT_OF_KEYS && st == ST_OK; i++) {
        if (!texts.v[i]) continue;
        out->v[i] = (struct intake_value){.choice = -1, .number = NAN, .given = true};
        out->v[i].line = line[i];
        st = read_value(&intake_rows[i], texts.v[i], &out->v[i], rep);
        if (st != ST_OK)
            st = within(rep, st, "line %d: %s.%s: ", line[i], intake_rows[i].section,
                        intake_rows[i].key);
    }
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

enum status description_load(struct description *out, const char *path, struct report *rep)
{
    enum status st = ST_OK;
    char *text = malloc(LARGEST_DESCRIPTION + 1);
    FILE *file = fopen(path, "rb");
    size_t size = 0;
    out->text = NULL;
    if (!file)
        st = fail(rep, ST_INPUT, "%s: cannot open this import description: %s", path,
                  strerror(errno));
    else if (!text)
        st = fail(rep, ST_MEMORY, "no memory to read %s", path);
    if (st == ST_OK) {
        size = fread(text, 1, LARGEST_DESCRIPTION + 1, file);
        if (ferror(file)) st = fail(rep, ST_INPUT, "%s: cannot be read: %s", path, strerror(errno));
    }
    if (st == ST_OK) st = description_parse(out, text, size, path, rep);
    if (file) fclose(file);
    free(text);
    return st;
}

void description_free(struct description *d)
{
    free(d->text);
    d->text = NULL;
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
