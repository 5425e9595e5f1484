#include "intake/axes.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

static const char *const role_words[] = {[AXIS_ROW] = "row",
                                         [AXIS_COLUMN] = "column",
                                         [AXIS_CURVE] = "curve",
                                         [AXIS_SAMPLE] = "sample",
                                         [AXIS_QUADRANT] = "quadrant"};

int axes_find(const struct axes *a, enum axis_role role)
{
    for (int i = 0; i < a->rank; i++)
        if (a->role[i] == role) return i;
    return -1;
}

static bool read_count(const char **text, size_t *out)
{
    char *rest;
    if (!isdigit((unsigned char)**text)) return false;
    *out = (size_t)strtoull(*text, &rest, 10);
    *text = rest;
    return *out < SIZE_MAX / 4;
}

static bool read_axis(const char **text, struct axes *out)
{
    int i = out->rank;
    if (read_count(text, &out->fixed[i])) {
        out->role[i] = AXIS_FIXED;
        const char *after = *text + strspn(*text, " ");
        if (strncmp(after, "of ", 3) != 0) return !**text || isspace((unsigned char)**text);
        *text = after + 3 + strspn(after + 3, " ");
        return read_count(text, &out->of[i]) && out->fixed[i] < out->of[i];
    }
    size_t n = strcspn(*text, " ");
    for (int role = AXIS_ROW; role < AXIS_FIXED; role++) {
        if (strlen(role_words[role]) != n || memcmp(role_words[role], *text, n) != 0) continue;
        if (axes_find(out, (enum axis_role)role) >= 0) return false;
        out->role[i] = (enum axis_role)role;
        *text += n;
        return true;
    }
    return false;
}

enum status axes_read(const char *text, struct axes *out, struct report *rep)
{
    const char *at = text;
    *out = (struct axes){0};
    for (at += strspn(at, " "); *at; at += strspn(at, " ")) {
        if (out->rank == MOST_RANK || !read_axis(&at, out))
            return fail(rep, ST_RECIPE,
                        "'%s' does not name axes: write each of row, column, curve, sample, "
                        "quadrant at most once, a number for an axis of which one index is taken "
                        "('2' or '2 of 5'), at most %d in all",
                        text, MOST_RANK);
        out->rank++;
    }
    if (axes_find(out, AXIS_CURVE) >= 0 &&
        (axes_find(out, AXIS_ROW) >= 0 || axes_find(out, AXIS_COLUMN) >= 0))
        return fail(rep, ST_RECIPE, "'%s': curve goes without row and column", text);
    return ST_OK;
}

enum status span_read(const char *text, size_t *first, size_t *last, struct report *rep)
{
    const char *at = text;
    bool good = read_count(&at, first) && strncmp(at, "..", 2) == 0;
    at += 2;
    if (good && read_count(&at, last) && !*at) return ST_OK;
    return fail(rep, ST_RECIPE, "'%s': write the first and the last sample like '0..511'", text);
}
