#include "recipe/recipe.h"

#include "base/files.h"
#include "contact/contact.h"
#include "recipe/recipe_parts.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { LARGEST_TEXT = 1 << 20 };

const struct recipe_row recipe_rows[KEY_COUNT] = {
#define K(section, key, kind, unit, standard, help)                                                \
    {#section, #key, KIND_##kind, unit, standard, help},
    RECIPE_KEYS(K)
#undef K
};

static const struct section_key section_keys[KEY_COUNT] = {
#define K(section, key, kind, unit, standard, help) {#section, #key},
    RECIPE_KEYS(K)
#undef K
};

const struct sections recipe_sections = {
    .noun = "recipe",
    .example = "'calibration:' and, indented below it, 'spring_constant: 0.35 N/m'; `cantle "
               "recipe` prints one",
    .row = section_keys,
    .n = KEY_COUNT,
    .longest = sizeof((struct recipe_value *)0)->text - 1,
};

int recipe_section_end(int i)
{
    return sections_end(&recipe_sections, i);
}

const char *recipe_choices(const struct recipe_row *row)
{
    return strcmp(row->unit, "@models") == 0 ? contact_names() : row->unit;
}

int recipe_choice(const char *choices, const char *word)
{
    const char *list = strcmp(choices, "@models") == 0 ? contact_names() : choices;
    size_t length = strlen(word);
    for (int i = 0;; i++) {
        list += strspn(list, " ");
        size_t n = strcspn(list, " ");
        if (n == 0) return -1;
        if (n == length && memcmp(list, word, n) == 0) return i;
        list += n;
    }
}

enum status recipe_default(struct recipe *out, struct report *rep)
{
    enum status st = ST_OK;
    memset(out, 0, sizeof *out);
    for (int i = 0; i < KEY_COUNT && st == ST_OK; i++) {
        const struct recipe_row *row = &recipe_rows[i];
        out->v[i] = (struct recipe_value){.si = NAN};
        if (!*row->standard) continue;
        if (recipe_value_read(row, row->standard, &out->v[i], rep) != ST_OK)
            st = within(rep, ST_BUG, "default of %s.%s: ", row->section, row->key);
        out->v[i].set = 1;
    }
    if (st == ST_OK) {
        out->text = calloc(1, 1);
        if (!out->text) st = fail(rep, ST_MEMORY, "no memory for a recipe");
    }
    return st;
}

/* The values given win over the defaults that are already in r. */
static enum status read_values(struct recipe *r, const struct section_texts *texts,
                               const int line[KEY_COUNT], struct report *rep)
{
    for (int i = 0; i < KEY_COUNT; i++) {
        if (!texts->v[i]) continue;
        const struct recipe_row *row = &recipe_rows[i];
        struct recipe_value v = {.given = 1, .set = 1, .line = line[i], .si = NAN};
        if (recipe_value_read(row, texts->v[i], &v, rep) != ST_OK)
            return within(rep, ST_RECIPE, "line %d: %s.%s: ", line[i], row->section, row->key);
        r->v[i] = v;
    }
    return recipe_values_agree(r, rep);
}

static enum status check_bytes(const char *text, size_t size, struct report *rep)
{
    if (size > LARGEST_TEXT)
        return fail(rep, ST_RECIPE,
                    "larger than 1 MiB, so it is not a recipe; is the order of the "
                    "files on the command line right?");
    const char *nul = size ? memchr(text, 0, size) : NULL;
    if (!nul) return ST_OK;
    int line = 1;
    for (const char *c = text; c < nul; c++)
        line += *c == '\n';
    return fail(rep, ST_RECIPE,
                "line %d: a NUL byte, so this is not YAML text in UTF-8; is the order of the files "
                "on the command line right?",
                line);
}

enum status recipe_parse(struct recipe *out, const char *text, size_t size, const char *path,
                         struct report *rep)
{
    struct section_texts texts = {{NULL}};
    int line[KEY_COUNT] = {0}, empty = 0;
    enum status st = recipe_default(out, rep);
    if (st != ST_OK) goto done;
    snprintf(out->path, sizeof out->path, "%s", path);
    if ((st = check_bytes(text, size, rep)) != ST_OK) goto done;
    if ((st = sections_vet(&recipe_sections, text, size, line, &empty, rep)) != ST_OK) goto done;
    if (!empty) {
        if ((st = sections_load(&recipe_sections, &texts, text, size, rep)) != ST_OK) goto done;
        if ((st = read_values(out, &texts, line, rep)) != ST_OK) goto done;
    }
    free(out->text);
    out->text = malloc(size + 1);
    if (!out->text) {
        st = fail(rep, ST_MEMORY, "no memory for a recipe of %zu bytes", size);
        goto done;
    }
    if (size) memcpy(out->text, text, size);
    out->text[size] = 0;
done:
    section_texts_free(&texts);
    if (st != ST_OK) {
        st = within(rep, st, "%s: ", path);
        recipe_free(out);
    }
    return st;
}

/* A text of at most 1 MiB and its 0, malloc'd. */
static enum status read_text(const char *path, const char *what, char **out, size_t *size,
                             struct report *rep)
{
    enum status st = ST_OK;
    char *text = NULL;
    FILE *file = NULL;
    *out = NULL;
    /* every rank reads it, and the map file keeps it: a pipe could be read only once */
    if ((st = file_check(path, "a YAML file", NULL, rep)) != ST_OK) {
        st = within(rep, st, "%s: this %s ", path, what);
        goto done;
    }
    text = malloc(LARGEST_TEXT + 2);
    file = fopen(path, "rb");
    if (!file) {
        st = fail(rep, ST_INPUT, "%s: cannot open this %s: %s", path, what, strerror(errno));
        goto done;
    }
    if (!text) {
        st = fail(rep, ST_MEMORY, "no memory to read the %s %s", what, path);
        goto done;
    }
    *size = fread(text, 1, LARGEST_TEXT + 1, file);
    if (ferror(file)) {
        st = fail(rep, ST_INPUT, "%s: cannot read this %s: %s", path, what, strerror(errno));
        goto done;
    }
    text[*size] = 0;
    *out = text;
done:
    if (file) fclose(file);
    if (st != ST_OK) free(text);
    return st;
}

/* The file that a FILE key names, from the recipe's folder. */
static enum status read_lever_file(struct recipe *r, struct report *rep)
{
    const struct recipe_value *key = &r->v[KEY_calibration_lever_file];
    char path[sizeof r->path + sizeof key->text];
    const char *slash = strrchr(r->path, '/');
    size_t size = 0;
    if (!key->set) return ST_OK;
    int folder = *key->text == '/' || !slash ? 0 : (int)(slash - r->path + 1);
    snprintf(path, sizeof path, "%.*s%s", folder, r->path, key->text);
    enum status st = read_text(path, "lever file", &r->lever_text, &size, rep);
    if (st == ST_OK && (size > LARGEST_TEXT || strlen(r->lever_text) != size))
        st = fail(rep, ST_RECIPE, "%s: larger than 1 MiB, or no text, so it is not a lever file",
                  path);
    if (st == ST_OK) return st;
    return within(rep, st, "%s: line %d: calibration.lever_file: ", r->path, key->line);
}

enum status recipe_load(struct recipe *out, const char *path, struct report *rep)
{
    size_t size = 0;
    char *text;
    enum status st = read_text(path, "recipe", &text, &size, rep);
    if (st != ST_OK) return st;
    st = recipe_parse(out, text, size, path, rep);
    free(text);
    if (st != ST_OK) return st;
    st = read_lever_file(out, rep);
    if (st != ST_OK) recipe_free(out);
    return st;
}

void recipe_free(struct recipe *r)
{
    free(r->text);
    free(r->lever_text);
    r->text = r->lever_text = NULL;
}

bool recipe_means(const struct recipe *r, enum recipe_key key)
{
    return r->v[key].given && strcmp(r->v[key].text, recipe_rows[key].standard) != 0;
}
