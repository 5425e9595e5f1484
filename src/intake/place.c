#include "intake/place.h"
#include "base/units.h"

#include <ctype.h>
#include <math.h>
#include <regex.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct {
    enum place_kind kind;
    const char *word;
} words[] = {
#define P(name, help) {PLACE_##name, #name},
    PLACE_LIST(P)
#undef P
};

/* Cut "... in UNIT" off; the last " in " counts, so that a column may have one in its name. */
static enum status take_unit(char *text, const char *si_unit, struct place *out, struct report *rep)
{
    struct unit_scale scale;
    char *last = NULL;
    for (char *c = text; (c = strstr(c, " in ")); c++)
        last = c;
    if (!last) return ST_OK;
    const char *unit = last + 4;
    unit += strspn(unit, " ");
    if (*unit != '@' && strcmp(si_unit, "*") != 0 &&
        units_scale(unit, si_unit, &scale, rep) != ST_OK)
        return ST_RECIPE;
    if (strlen(unit) >= sizeof out->unit) return fail(rep, ST_RECIPE, "the unit is too long");
    snprintf(out->unit, sizeof out->unit, "%s", unit);
    while (last > text && last[-1] == ' ')
        last--;
    *last = 0;
    return ST_OK;
}

static enum status take_at(char *text, struct place *out, struct report *rep)
{
    char *at = strstr(text, " at "), *rest;
    if (strncmp(text, "at ", 3) == 0) at = text - 1;
    if (!at) return ST_OK;
    out->at = strtoll(at + 4, &rest, 10);
    if (*rest || rest == at + 4 || out->at < 0)
        return fail(rep, ST_RECIPE, "'%s': write 'at' and a number of bytes", at + 4);
    *(at < text ? text : at) = 0;
    return ST_OK;
}

static enum status check_pattern(const char *pattern, struct report *rep)
{
    regex_t compiled;
    char why[128];
    int error = regcomp(&compiled, pattern, REG_EXTENDED);
    if (error) {
        regerror(error, &compiled, why, sizeof why);
        return fail(rep, ST_RECIPE, "'%s' is not a pattern: %s", pattern, why);
    }
    size_t groups = compiled.re_nsub;
    regfree(&compiled);
    return groups > 0
               ? ST_OK
               : fail(rep, ST_RECIPE,
                      "'%s' has no group: put the number into brackets, like '([0-9.]+)'", pattern);
}

static enum status read_path(char *text, struct place *out, struct report *rep)
{
    char *at = strrchr(text, '@');
    out->kind = PLACE_path;
    if (at) {
        if (strlen(at + 1) >= sizeof out->attribute || !at[1])
            return fail(rep, ST_RECIPE, "'%s': no attribute can have this name", at + 1);
        snprintf(out->attribute, sizeof out->attribute, "%s", at + 1);
        *at = 0;
    }
    /* one slash at the end of a group's name is a habit, not an error */
    size_t n = strlen(text);
    if (n > 1 && text[n - 1] == '/') text[n - 1] = 0;
    snprintf(out->what, sizeof out->what, "%s", *text ? text : "/");
    return ST_OK;
}

static enum status read_quantity(const char *text, const char *si_unit, struct place *out,
                                 struct report *rep)
{
    out->kind = PLACE_quantity;
    if (strcmp(si_unit, "*") == 0 || (!isdigit((unsigned char)*text) && !strchr("+-.", *text)))
        return fail(rep, ST_RECIPE,
                    "'%s' is not a place: write like '/data/signal in V' (hdf5), 'column 2 in V' "
                    "(text), 'data in V' or 'file signal.npy in V' (npy, raw), and see "
                    "docs/import-keys.md",
                    text);
    return units_quantity(text, si_unit, &out->si, rep);
}

enum status place_find(const char *text, const char *si_unit, struct place *out, struct report *rep)
{
    char rest[256];
    *out = (struct place){.at = -1, .si = NAN};
    if (strlen(text) >= sizeof rest) return fail(rep, ST_RECIPE, "the value is too long");
    snprintf(rest, sizeof rest, "%s", text);
    enum status st = take_unit(rest, si_unit, out, rep);
    if (st != ST_OK) return st;
    if (*rest == '/' || *rest == '@') return read_path(rest, out, rep);
    for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
        size_t n = strlen(words[i].word);
        if (strncmp(rest, words[i].word, n) != 0 || (rest[n] != ' ' && rest[n])) continue;
        char *what = rest + n + strspn(rest + n, " ");
        out->kind = words[i].kind;
        if (out->kind == PLACE_file || out->kind == PLACE_data)
            if ((st = take_at(what, out, rep)) != ST_OK) return st;
        for (size_t k = strlen(what); k > 0 && what[k - 1] == ' '; k--)
            what[k - 1] = 0;
        if ((*what == 0) != (out->kind == PLACE_data))
            return fail(rep, ST_RECIPE, "'%s': '%s' %s", text, words[i].word,
                        *what ? "stands alone" : "must be followed by what is meant");
        memcpy(out->what, what, strlen(what) + 1);
        if (out->kind == PLACE_header || out->kind == PLACE_name) return check_pattern(what, rep);
        return ST_OK;
    }
    return *out->unit ? fail(rep, ST_RECIPE,
                             "'%s' is not a place; a quantity is written like '0.35 N/m', "
                             "without 'in'",
                             text)
                      : read_quantity(rest, si_unit, out, rep);
}
