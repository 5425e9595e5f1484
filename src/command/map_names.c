#include "command/map_names.h"

#include "base/words.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum status map_unknown(const char *word, struct report *rep)
{
    const char *names[MAP_COUNT];
    for (int i = 0; i < MAP_COUNT; i++)
        names[i] = map_rows[i].name;
    int near = words_nearest(word, names, MAP_COUNT);
    if (near >= 0)
        return fail(rep, ST_USAGE,
                    "'%.64s' is not a map; did you mean %s? `cantle manual maps` lists them", word,
                    names[near]);
    return fail(rep, ST_USAGE,
                "'%.64s' is not a map; write all, or a name that `cantle manual maps` lists", word);
}

bool map_is_named(const char *word, int map)
{
    char label[64];
    map_label(map, label);
    return strcmp(word, map_rows[map].name) == 0 || strcmp(word, label) == 0;
}

bool map_has_value(const struct maps_view *v, enum map_id id)
{
    for (size_t i = 0; v->map[id] && i < v->ny * v->nx; i++)
        if (isfinite(v->map[id][i])) return true;
    return false;
}

enum status option_whole(const char *option, const char *text, unsigned long low,
                         unsigned long high, unsigned long *out, struct report *rep)
{
    char *end;
    errno = 0;
    *out = strtoul(text, &end, 10);
    if (*text < '0' || *text > '9' || *end || errno || *out < low || *out > high)
        return fail(rep, ST_USAGE, "--%s '%.64s': write a whole number from %lu to %lu", option,
                    text, low, high);
    return ST_OK;
}
