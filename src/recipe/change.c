#include "recipe/change.h"

#include "base/words.h"
#include "recipe/recipe_parts.h"

#include <ctype.h>
#include <jansson.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

static void full_name(int key, char out[128])
{
    snprintf(out, 128, "%s.%s", recipe_rows[key].section, recipe_rows[key].key);
}

static enum status unknown_key(const char *word, size_t length, struct report *rep)
{
    char names[KEY_COUNT][128], asked[128];
    const char *list[KEY_COUNT];
    snprintf(asked, sizeof asked, "%.*s", (int)(length < 100 ? length : 100), word);
    for (int i = 0; i < KEY_COUNT; i++) {
        full_name(i, names[i]);
        list[i] = names[i];
    }
    int near = words_nearest(asked, list, KEY_COUNT);
    return fail(rep, ST_USAGE, "'%s' is no key of a recipe%s%s%s; `cantle manual keys` lists them",
                asked, near < 0 ? "" : " (did you mean '", near < 0 ? "" : list[near],
                near < 0 ? "" : "'?)");
}

static enum status put(struct recipe_change *c, int key, const char *text, struct report *rep)
{
    free(c->text[key]);
    c->text[key] = strdup(text);
    return c->text[key] ? ST_OK : fail(rep, ST_MEMORY, "no memory for a change of the recipe");
}

enum status recipe_change_word(struct recipe_change *c, const char *word, struct report *rep)
{
    const char *equal = strchr(word, '=');
    struct recipe_value value = {.si = NAN};
    char name[128];
    int key = 0;
    if (!equal) return fail(rep, ST_USAGE, "'%.100s': write section.key=value", word);
    for (; key < KEY_COUNT; key++) {
        full_name(key, name);
        if (strlen(name) == (size_t)(equal - word) && memcmp(name, word, strlen(name)) == 0) break;
    }
    if (key == KEY_COUNT) return unknown_key(word, (size_t)(equal - word), rep);
    if (recipe_rows[key].kind == KIND_FILE && equal[1])
        return fail(rep, ST_USAGE,
                    "%s is the name of a file: give it in a file of changes (CHANGES.yaml), from "
                    "whose folder it counts",
                    name);
    if (equal[1] && recipe_value_read(&recipe_rows[key], equal + 1, &value, rep) != ST_OK)
        return within(rep, ST_RECIPE, "%s: ", name);
    return put(c, key, equal + 1, rep);
}

enum status recipe_change_file(struct recipe_change *c, const char *path, struct report *rep)
{
    struct recipe r;
    enum status st = recipe_load(&r, path, rep);
    if (st != ST_OK) return st;
    snprintf(c->path, sizeof c->path, "%s", path);
    for (int i = 0; i < KEY_COUNT && st == ST_OK; i++)
        if (r.v[i].given) st = put(c, i, r.v[i].text, rep);
    if (r.lever_text) {
        free(c->lever_text);
        c->lever_text = r.lever_text;
        r.lever_text = NULL;
    }
    recipe_free(&r);
    return st;
}

void recipe_change_free(struct recipe_change *c)
{
    for (int i = 0; i < KEY_COUNT; i++)
        free(c->text[i]);
    free(c->lever_text);
    *c = (struct recipe_change){.lever_text = NULL};
}

/* A plain word where YAML reads it as one, else in quotes. */
static void put_scalar(FILE *out, const char *text)
{
    const char *t = text;
    while (isalnum((unsigned char)*t) || (*t && t > text && strchr(" ._/%^+*-", *t)))
        t++;
    if (!*t && t > text && t[-1] != ' ') {
        fputs(text, out);
        return;
    }
    fputc('"', out);
    for (t = text; *t; t++)
        fprintf(out, strchr("\"\\", *t) ? "\\%c" : "%c", *t);
    fputc('"', out);
}

static const char *text_of(const struct recipe *r, const struct recipe_change *c, int key)
{
    if (c->text[key]) return *c->text[key] ? c->text[key] : NULL;
    return r->v[key].given ? r->v[key].text : NULL;
}

static char *write_text(const struct recipe *before, const struct recipe_change *c,
                        const char *from)
{
    char *text = NULL, name[512];
    const char *section = "";
    size_t size;
    FILE *out = open_memstream(&text, &size);
    if (!out) return NULL;
    snprintf(name, sizeof name, "%s", from);
    words_printable(name, '?');
    fprintf(out, "# the recipe of %s with changes\n", name);
    for (int i = 0; i < KEY_COUNT; i++) {
        const char *value = text_of(before, c, i);
        if (!value) continue;
        if (strcmp(section, recipe_rows[i].section) != 0)
            fprintf(out, "%s:\n", section = recipe_rows[i].section);
        fprintf(out, "  %s: ", recipe_rows[i].key);
        put_scalar(out, value);
        fputc('\n', out);
    }
    if (fclose(out) == 0) return text;
    free(text);
    return NULL;
}

enum status recipe_changed(struct recipe *out, const struct recipe *before,
                           const struct recipe_change *c, const char *from, struct report *rep)
{
    const int lever = KEY_calibration_lever_file;
    const char *lever_text = c->text[lever] ? c->lever_text : before->lever_text;
    char *text = write_text(before, c, from), label[600];
    if (!text) return fail(rep, ST_MEMORY, "no memory for a recipe");
    snprintf(label, sizeof label, "the recipe of %.500s with the changes", from);
    enum status st = recipe_parse(out, text, strlen(text), label, rep);
    free(text);
    if (st != ST_OK) return st;
    snprintf(out->path, sizeof out->path, "%s", c->path);
    if (!out->v[lever].set || !lever_text) return ST_OK;
    out->lever_text = strdup(lever_text);
    if (out->lever_text) return ST_OK;
    recipe_free(out);
    return fail(rep, ST_MEMORY, "no memory for a lever file");
}

static json_t *shown(const struct recipe_value *v)
{
    return v->set ? json_string(v->text) : json_null();
}

static bool same_value(const struct recipe_value *a, const struct recipe_value *b)
{
    return a->set == b->set && (!a->set || strcmp(a->text, b->text) == 0);
}

char *recipe_difference(const struct recipe *a, const struct recipe *b, size_t *n)
{
    json_t *all = json_array();
    char name[128], *text = NULL;
    bool good = all != NULL;
    for (int i = 0; i < KEY_COUNT && good; i++) {
        bool lever = i == KEY_calibration_lever_file && a->lever_text && b->lever_text &&
                     strcmp(a->lever_text, b->lever_text) != 0;
        if (same_value(&a->v[i], &b->v[i]) && !lever) continue;
        full_name(i, name);
        good = json_array_append_new(all, json_pack("{s:s, s:o, s:o}", "key", name, "old",
                                                    shown(&a->v[i]), "new", shown(&b->v[i]))) == 0;
    }
    if (n) *n = json_array_size(all);
    if (good) text = json_dumps(all, JSON_COMPACT);
    json_decref(all);
    return text;
}
