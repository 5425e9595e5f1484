#include "maps/reuse.h"

#include <jansson.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

static const struct {
    const char *name;
    unsigned holds;
    const char *why;
} rows[] = {
#define R(name, holds, why) {name, holds, why},
    REUSE_LIST(R)
#undef R
};
static const struct {
    const char *words, *meaning;
} parts[REUSE_COUNT] = {
#define P(name, words, meaning) {words, meaning},
    REUSE_PARTS(P)
#undef P
};

static bool fits(const char *row, const char *key)
{
    size_t n = strlen(key), m = strlen(row);
    if (*row != '*') return strncmp(key, row, m) == 0;
    return n > m - 1 && strcmp(key + n - (m - 1), row + 1) == 0;
}

static unsigned holds_after(const char *key)
{
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        if (fits(rows[i].name, key)) return rows[i].holds;
    return 0;
}

/* What the keys of `a` that `b` has otherwise, or not, leave. */
static unsigned one_way(const json_t *a, const json_t *b)
{
    unsigned left = REUSE_ALL;
    const char *key;
    json_t *value;
    json_object_foreach((json_t *)(uintptr_t)a, key, value)
    {
        if (!json_equal(value, json_object_get(b, key))) left &= holds_after(key);
    }
    return left;
}

unsigned reuse_between(const char *before, const char *now)
{
    json_t *old = json_loads(before, 0, NULL), *new = json_loads(now, 0, NULL);
    unsigned left = json_is_object(old) && json_is_object(new) ? REUSE_ALL : 0;
    if (left) left = one_way(old, new) & one_way(new, old);
    json_decref(old);
    json_decref(new);
    return left;
}

void reuse_words(unsigned holds, char out[64])
{
    size_t used = 0;
    *out = 0;
    for (int i = 0; i < REUSE_COUNT; i++)
        if (holds >> i & 1)
            used += (size_t)snprintf(out + used, 64 - used, "%s%s", used ? ", " : "",
                                     parts[i].words);
    if (!used) snprintf(out, 64, "nothing");
}

bool reuse_other_volume(const char *before, const char *now, char *difference, size_t size)
{
    json_t *old = json_loads(before, 0, NULL), *new = json_loads(now, 0, NULL), *value;
    const char *key;
    bool other = false;
    json_object_foreach(new, key, value)
    {
        const json_t *was = json_object_get(old, key);
        if (strncmp(key, "volume.", 7) != 0 || json_equal(value, was) || other) continue;
        const char *is = json_string_value(value), *had = json_string_value(was);
        snprintf(difference, size, "%s was %.80s, now %.80s", key, had ? had : "not known",
                 is ? is : "not known");
        other = true;
    }
    json_decref(old);
    json_decref(new);
    return other;
}

void reuse_manual(FILE *out)
{
    for (int i = 0; i < REUSE_COUNT; i++)
        fprintf(out, "- **%s**: %s\n", parts[i].words, parts[i].meaning);
    fprintf(
        out,
        "\nThe names are those of what makes the numbers of a map file (`/entry/run/identity`): a\n"
        "row holds for every name that begins so, and the first row that fits counts. A name "
        "that no\nrow fits leaves nothing. `as used` values come from recipe, lever file and "
        "volume together.\n\n");
    fprintf(out, "| when this changes | kept | why |\n|---|---|---|\n");
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char words[64];
        reuse_words(rows[i].holds, words);
        fprintf(out, "| `%s` | %s | %s |\n", rows[i].name, words, rows[i].why);
    }
}
