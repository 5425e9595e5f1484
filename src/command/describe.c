/* cantle describe: what a volume or a map file holds. */
#include "command/describe.h"

#include "base/units.h"
#include "base/words.h"
#include "command/command.h"
#include "command/volume_choice.h"
#include "maps/maps.h"
#include "volume/volume.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void describe_line(const char *label, const char *fmt, ...)
{
    va_list args;
    char *text = NULL;
    va_start(args, fmt);
    int used = vasprintf(&text, fmt, args);
    va_end(args);
    if (used >= 0) words_printable(text, '?'); /* names and texts of files that anyone may make */
    printf("%-12s %s\n", label, used >= 0 ? text : "(no memory)");
    if (used >= 0) free(text);
}

void describe_bytes(double bytes, char out[32])
{
    static const char *const units[] = {"bytes", "KiB", "MiB", "GiB", "TiB"};
    size_t i = 0;
    for (; bytes >= 1000 && i + 1 < sizeof units / sizeof *units; i++)
        bytes /= 1024;
    snprintf(out, 32, "%.3g %s", bytes, units[i]);
}

void describe_value(double si, const char *si_unit, char *out, unsigned long size)
{
    if (strcmp(si_unit, "rad") == 0 && isfinite(si))
        snprintf(out, size, "%.4g degree", si * 180 / acos(-1));
    else if (si == 0 && strcmp(si_unit, "1") != 0)
        snprintf(out, size, "0 %s", si_unit);
    else
        units_show(si, si_unit, 4, out, size);
}

void describe_known(double value, double u, const char *si_unit, char *out, size_t size)
{
    char number[48], uncertainty[48];
    describe_value(value, si_unit, number, sizeof number);
    describe_value(u, si_unit, uncertainty, sizeof uncertainty);
    if (isfinite(u) && value != 0)
        snprintf(out, size, "%s, standard uncertainty %s (%.2g %%)", number, uncertainty,
                 100 * u / fabs(value));
    else if (isfinite(u))
        snprintf(out, size, "%s, standard uncertainty %s", number, uncertainty);
    else
        snprintf(out, size, "%s, uncertainty not stated", number);
}

json_t *describe_real(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

void describe_name(const char *name, char out[512])
{
    words_excerpt(name, out, 512);
    words_printable(out, '?');
}

json_t *describe_text(const char *text)
{
    char *copy = strdup(text);
    if (!copy) return NULL;
    words_printable(copy, '?');
    json_t *out = json_string(copy);
    free(copy);
    return out;
}

enum status describe_print(json_t *all, struct report *rep)
{
    char *text = all ? json_dumps(all, JSON_INDENT(2) | JSON_REAL_PRECISION(12)) : NULL;
    json_decref(all);
    if (!text) return fail(rep, ST_MEMORY, "the description cannot be put into JSON");
    puts(text);
    free(text);
    return ST_OK;
}

struct describe_options {
    const char *path, *mapping;
    bool json;
};

static const struct argp_option option_rows[] = {
    {"json", 'j', NULL, 0, "print one JSON object instead of text; lengths and the like in SI", 0},
    {"mapping", 'm', "DESCRIPTION.yaml", 0, MAPPING_HELP, 0},
    {0},
};

static error_t parse_option(int key, char *arg, struct argp_state *state)
{
    struct describe_options *o = state->input;
    switch (key) {
    case 'j':
        o->json = true;
        return 0;
    case 'm':
        o->mapping = arg;
        return 0;
    case ARGP_KEY_ARG:
        if (o->path) argp_error(state, "one argument too many: '%s'; expected one FILE", arg);
        o->path = arg;
        return 0;
    case ARGP_KEY_END:
        if (!o->path) argp_error(state, "no file given; expected a volume or a map file");
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static const struct argp describe_argp = {
    .options = option_rows,
    .parser = parse_option,
    .args_doc = "FILE",
    .doc =
        "Tell what a force volume or a map file holds.\v"
        "Of a volume: grid, segments, units, direction of z, calibration, what each contact model "
        "still needs, how it is stored, and the memory that `cantle map` will take. Of a map file: "
        "where it came from, how many pixels are accepted and why others are not, median and "
        "quartiles of each map, and how uncertain calibration, tip and sample values make the "
        "whole "
        "map.",
};

enum status command_describe(int argc, char **argv, const struct world *world, struct report *rep)
{
    struct describe_options o = {0};
    bool done = false;
    enum status st = options_parse(&describe_argp, argc, argv, world, &o, &done, rep);
    if (st != ST_OK || done || world->rank != 0) return st;
    /* what is neither is told what a volume should look like */
    return !o.mapping && maps_is_one(o.path) ? describe_map(o.path, o.json, rep)
                                             : describe_volume(o.path, o.mapping, o.json, rep);
}
