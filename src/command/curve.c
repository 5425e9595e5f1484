/* cantle curve: one pixel followed through every step. */
#include "command/command.h"
#include "command/curve_case.h"
#include "command/describe.h"
#include "command/volume_choice.h"
#include "maps/maps.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

struct curve_wish {
    struct curve_source from;
    const char *column, *row, *output, *text;
    bool too_many, json;
};

static const struct argp_option options[] = {
    {"recipe", 'r', "RECIPE.yaml", 0,
     "Recipe to use. Default: the one in the map file; for a volume all keys' defaults", 0},
    {"volume", 'v', "VOLUME.h5", 0,
     "Where the volume of the map file is now. Default: where it was, else beside the map file", 0},
    {"mapping", 'm', "DESCRIPTION.yaml", 0,
     MAPPING_HELP ". Default for a map file: the one it was made with", 0},
    {"output", 'o', "FIGURE", 0,
     "Where the figure goes: a name ending in .png, .svg or .pdf. Default: FILE-cCOLUMN-rROW.png, "
     "FILE without .h5. A figure that is there already is replaced",
     0},
    {"text", 't', "FILE", 0,
     "Write the samples as columns of text; - is standard output, in place of the report", 0},
    {"json", 'j', NULL, 0, "The report as one JSON object in SI units instead of text", 0},
    {0}};

static const char doc[] =
    "Follow one pixel through every step: a report, a figure, columns of text.\v"
    "FILE is a map file or a volume. COLUMN counts along x and ROW along y, both from 0.\n"
    "With a map file they count as in its maps and figures: column 0 has the smallest x, row 0 the "
    "smallest y (the lower left corner). With a volume they count as it is stored.";

static error_t parse(int key, char *arg, struct argp_state *state)
{
    struct curve_wish *wish = state->input;
    switch (key) {
    case 'r':
        wish->from.recipe = arg;
        return 0;
    case 'v':
        wish->from.volume = arg;
        return 0;
    case 'm':
        wish->from.mapping = arg;
        return 0;
    case 'o':
        wish->output = arg;
        return 0;
    case 't':
        wish->text = arg;
        return 0;
    case 'j':
        wish->json = true;
        return 0;
    case ARGP_KEY_ARG:
        if (!wish->from.file)
            wish->from.file = arg;
        else if (!wish->column)
            wish->column = arg;
        else if (!wish->row)
            wish->row = arg;
        else
            wish->too_many = true;
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static enum status read_count(const char *text, const char *what, size_t *out, struct report *rep)
{
    char *end;
    errno = 0;
    unsigned long long n = strtoull(text, &end, 10);
    if (*text < '0' || *text > '9' || *end || errno)
        return fail(rep, ST_USAGE, "%s '%.64s': write a whole number from 0", what, text);
    *out = n;
    return ST_OK;
}

static enum status read_wish(const struct curve_wish *wish, size_t *column, size_t *row,
                             struct report *rep)
{
    if (!wish->row || wish->too_many)
        return fail(rep, ST_USAGE, "write: cantle curve FILE COLUMN ROW");
    if (wish->json && wish->text && strcmp(wish->text, "-") == 0)
        return fail(rep, ST_USAGE,
                    "--json and --text - both want standard output; name a file for the columns");
    enum status st = read_count(wish->column, "COLUMN", column, rep);
    return st == ST_OK ? read_count(wish->row, "ROW", row, rep) : st;
}

static enum status write_columns(const struct curve_case *c, const char *path, struct report *rep)
{
    bool standard = strcmp(path, "-") == 0;
    FILE *out = standard ? stdout : fopen(path, "wxe"); /* x: never over a file that is there */
    if (!out && errno == EEXIST)
        return fail(rep, ST_OUTPUT, "%s exists; choose another name for the columns, or remove it",
                    path);
    if (!out) return fail(rep, ST_OUTPUT, "%s: cannot be written: %s", path, strerror(errno));
    curve_columns(out, c);
    int bad = fflush(out) != 0 || ferror(out);
    if (!standard && fclose(out) != 0) bad = 1;
    return bad ? fail(rep, ST_OUTPUT, "%s: cannot be written: is the disk full?", path) : ST_OK;
}

/* The report goes to standard output, unless the columns do: their comments hold it. */
static enum status show(const struct curve_wish *wish, const struct curve_case *c,
                        struct report *rep)
{
    char path[4200], name[512];
    enum status st = ST_OK;
    size_t n = strlen(wish->from.file);
    bool words = !wish->json && !(wish->text && strcmp(wish->text, "-") == 0);
    if (n > 3 && strcmp(wish->from.file + n - 3, ".h5") == 0) n -= 3;
    int used = wish->output ? snprintf(path, sizeof path, "%s", wish->output)
                            : snprintf(path, sizeof path, "%.*s-c%zu-r%zu.png", (int)n,
                                       wish->from.file, c->column, c->row);
    st = used >= 0 && (size_t)used < sizeof path ? ST_OK
                                                 : fail(rep, ST_USAGE, "a file name is too long");
    if (st == ST_OK && words) curve_report(stdout, c, "");
    if (st == ST_OK && wish->text) st = write_columns(c, wish->text, rep);
    if (st == ST_OK) st = curve_figure(c, path, rep);
    describe_name(path, name);
    if (st == ST_OK && wish->json) return curve_report_json(c, path, wish->text, rep);
    if (st == ST_OK && words) printf("figure: %s\n", name);
    if (st == ST_OK && wish->text && words) printf("columns: %s\n", wish->text);
    return st;
}

enum status command_curve(int argc, char **argv, const struct world *world, struct report *rep)
{
    const struct argp argp = {options, parse, "FILE COLUMN ROW", doc, NULL, NULL, NULL};
    struct curve_wish wish = {0};
    bool done = false;
    enum status st = options_parse(&argp, argc, argv, world, &wish, &done, rep);
    if (st != ST_OK || done || world->rank != 0) return st;
    struct curve_case *c = calloc(1, sizeof *c);
    struct maps_view view = {0};
    size_t column = 0, row = 0;
    if (!c) return fail(rep, ST_MEMORY, "no memory for a curve");
    st = read_wish(&wish, &column, &row, rep);
    if (st == ST_OK && maps_is_one(wish.from.file)) {
        st = maps_view_load(&view, wish.from.file, rep);
        if (st == ST_OK) st = curve_case_of_maps(c, &wish.from, &view, rep);
    } else if (st == ST_OK)
        st = curve_case_of_volume(c, &wish.from, rep);
    if (st == ST_OK) st = curve_case_run(c, column, row, rep);
    if (st == ST_OK) st = show(&wish, c, rep);
    curve_case_close(c);
    maps_view_free(&view);
    free(c);
    return st;
}
