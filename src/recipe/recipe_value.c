#include "base/units.h"
#include "base/words.h"
#include "recipe/recipe_parts.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What follows the number, or the whole text when it does not begin with one. */
static const char *unit_part(const char *text)
{
    char *rest;
    strtod(text, &rest);
    while (isspace((unsigned char)*rest))
        rest++;
    return rest;
}

static int is_share(const char *unit)
{
    size_t n = strcspn(unit, " \t\n");
    return (n == 1 && *unit == '%') || (n == 7 && strncmp(unit, "percent", n) == 0);
}

/* To UDUNITS per cent and radian are both plain numbers; a tilt of 10 % or a Poisson's ratio of
 * 20 degrees is a mistake all the same. */
static enum status read_quantity(const char *text, const char *si_unit, double *si,
                                 struct report *rep)
{
    const char *unit = unit_part(text);
    int angle = strcmp(si_unit, "rad") == 0, share = strcmp(si_unit, "1") == 0;
    if (angle && unit != text && (!*unit || is_share(unit)))
        return fail(rep, ST_RECIPE, "'%s' has no unit of angle; write it like '20 degree'", text);
    if (share && unit != text && *unit && !is_share(unit))
        return fail(rep, ST_RECIPE,
                    "'%s' has a unit; write a plain number like '0.3', or a share like '30 %%'",
                    text);
    return units_quantity(text, si_unit, si, rep);
}

static int ends_with_u(const char *key)
{
    size_t n = strlen(key);
    return n > 2 && strcmp(key + n - 2, "_u") == 0;
}

static enum status read_limited(const struct recipe_row *row, const char *text, double *si,
                                struct report *rep)
{
    enum status st = read_quantity(text, row->unit, si, rep);
    if (st != ST_OK) return st;
    int limit = strcmp(row->section, "limits") == 0 || strcmp(row->section, "baseline") == 0;
    if (*si < 0 && ends_with_u(row->key))
        return fail(rep, ST_RECIPE, "'%s': a standard uncertainty cannot be negative", text);
    if (*si < 0 && limit) return fail(rep, ST_RECIPE, "'%s': this limit cannot be negative", text);
    if (row == &recipe_rows[KEY_baseline_shortest] && *si > 0.95)
        return fail(rep, ST_RECIPE,
                    "'%s' leaves no room for a contact; it must lie between 0 and 95 %%", text);
    return ST_OK;
}

static enum status read_range(const char *text, struct recipe_value *out, struct report *rep)
{
    struct report unused;
    const char *unit = unit_part(text);
    if (unit == text || !*unit)
        return fail(
            rep, ST_RECIPE,
            "'%s' must be a share of the peak force like '80 %%', a force like '2 nN' or an "
            "indentation like '50 nm'",
            text);
    if (is_share(unit)) {
        enum status st = units_quantity(text, "1", &out->si, rep);
        out->range = RANGE_SHARE_OF_PEAK;
        if (st == ST_OK && !(out->si >= 0 && out->si <= 1))
            st = fail(rep, ST_RECIPE, "'%s' must lie between 0 %% and 100 %% of the peak force",
                      text);
        return st;
    }
    out->range = RANGE_FORCE;
    if (units_quantity(text, "N", &out->si, &unused) == ST_OK) return ST_OK;
    out->range = RANGE_INDENTATION;
    if (units_quantity(text, "m", &out->si, &unused) == ST_OK) return ST_OK;
    return fail(
        rep, ST_RECIPE,
        "'%s' is neither a share of the peak force like '80 %%', nor a force like '2 nN', nor "
        "an indentation like '50 nm'",
        text);
}

static enum status read_choice(const struct recipe_row *row, const char *text, int *choice,
                               struct report *rep)
{
    enum { MOST = 32, WORD = 64 };
    char word[MOST][WORD], list[512];
    const char *names[MOST] = {NULL}, *choices = recipe_choices(row);
    *choice = recipe_choice(choices, text);
    if (*choice >= 0) return ST_OK;
    for (size_t i = 0; i < MOST && words_at(choices, i, word[i], WORD); i++)
        names[i] = word[i];
    words_list(choices, list, sizeof list);
    int near = words_nearest(text, names, MOST);
    return fail(rep, ST_RECIPE, "'%s' is not known%s%s%s; valid words are %s", text,
                near < 0 ? "" : " (did you mean '", near < 0 ? "" : names[near],
                near < 0 ? "" : "'?)", list);
}

static enum status read_count(const struct recipe_row *row, const char *text, double *si,
                              struct report *rep)
{
    size_t n = strlen(text);
    if (n == 0 || n > 9 || strspn(text, "0123456789") != n || atol(text) > atol(row->unit))
        return fail(rep, ST_RECIPE, "'%s' must be a whole number between 0 and %s", text,
                    row->unit);
    *si = (double)atol(text);
    return ST_OK;
}

/* A unit for the map file: readers must understand it, so no numbers, offsets or logarithms. */
static enum status read_unit(const struct recipe_row *row, const char *text, struct report *rep)
{
    double factor = 0;
    int plain = !isdigit((unsigned char)*text) && !strpbrk(text, "()@+,:");
    if (plain && units_from_si(row->unit, text, &factor, rep) != ST_OK) return ST_RECIPE;
    if (!plain || !(factor > 0) || !isfinite(factor))
        return fail(rep, ST_RECIPE, "'%s' is not a plain unit; write one like '%s'", text,
                    *row->standard ? row->standard : row->unit);
    return ST_OK;
}

enum status recipe_value_read(const struct recipe_row *row, const char *text,
                              struct recipe_value *out, struct report *rep)
{
    if (strlen(text) >= sizeof out->text)
        return fail(rep, ST_RECIPE, "the value is longer than 127 bytes");
    snprintf(out->text, sizeof out->text, "%s", text);
    switch (row->kind) {
    case KIND_QUANTITY:
        return read_limited(row, text, &out->si, rep);
    case KIND_CHOICE:
        return read_choice(row, text, &out->choice, rep);
    case KIND_COUNT:
        return read_count(row, text, &out->si, rep);
    case KIND_UNIT:
        return read_unit(row, text, rep);
    case KIND_RANGE:
        return read_range(text, out, rep);
    case KIND_FILE:
        return ST_OK;
    }
    return fail(rep, ST_BUG, "a recipe row has no kind");
}

enum status recipe_values_agree(const struct recipe *r, struct report *rep)
{
    static const enum recipe_key pairs[][2] = {
        {KEY_contact_from, KEY_contact_to},
        {KEY_limits_stiffness_ratio_low, KEY_limits_stiffness_ratio_high},
        {KEY_unloading_from, KEY_unloading_to},
        {KEY_limits_modulus_low, KEY_limits_modulus_high},
        {KEY_sample_substrate_x_from, KEY_sample_substrate_x_to},
        {KEY_sample_substrate_y_from, KEY_sample_substrate_y_to}};
    for (size_t i = 0; i < sizeof pairs / sizeof *pairs; i++) {
        const struct recipe_value *low = &r->v[pairs[i][0]], *high = &r->v[pairs[i][1]];
        const struct recipe_row *a = &recipe_rows[pairs[i][0]], *b = &recipe_rows[pairs[i][1]];
        if (!low->set || !high->set || low->range != high->range || low->si < high->si) continue;
        return fail(rep, ST_RECIPE, "line %d: %s.%s: '%s' must be below %s.%s, which is '%s'%s",
                    low->given ? low->line : high->line, a->section, a->key, low->text, b->section,
                    b->key, high->text, high->given ? "" : " by default");
    }
    return ST_OK;
}
