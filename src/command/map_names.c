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
    char list[768] = "";
    for (int i = 0; i < MAP_COUNT; i++) {
        names[i] = map_rows[i].name;
        size_t used = strlen(list);
        snprintf(list + used, sizeof list - used, "%s%s", i ? ", " : "", names[i]);
    }
    int near = words_nearest(word, names, MAP_COUNT);
    if (near >= 0)
        return fail(rep, ST_USAGE, "'%.64s' is not a map; did you mean %s? There are: %s", word,
                    names[near], list);
    return fail(rep, ST_USAGE, "'%.64s' is not a map; there are: all, %s", word, list);
}

enum status map_named(const struct maps_view *v, const char *word, enum map_id *id, bool *errors,
                      struct report *rep)
{
    size_t n = strlen(word), tail = strlen("_errors");
    bool wants = errors && n > tail && strcmp(word + n - tail, "_errors") == 0;
    if (errors) *errors = wants;
    for (int i = 0; i < MAP_COUNT; i++) {
        const char *name = map_rows[i].name;
        if (strlen(name) != n - (wants ? tail : 0) || strncmp(word, name, strlen(name)) != 0)
            continue;
        *id = (enum map_id)i;
        return (wants ? v->error[i] : v->map[i])
                   ? ST_OK
                   : fail(rep, ST_USAGE, "%s: has no map '%s'", v->path, word);
    }
    return map_unknown(word, rep);
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
