/* cantle compare: two map files of the same pixels. */
#include "command/command.h"

#include "command/comparison.h"
#include "command/describe.h"
#include "command/map_names.h"
#include "maps/masking.h"

#include <stdlib.h>
#include <string.h>

struct compare_wish {
    const char *file[2], *output, *figure, *mask, *word[MAP_COUNT];
    size_t n_files, n_words;
    bool json, overwrite, quiet, too_many;
};

static const struct argp_option options[] = {
    {"output", 'o', "FILE.h5", 0,
     "write difference and ratio of every map, and of the criteria, as maps into FILE.h5", 0},
    {"overwrite", 'f', NULL, 0, "replace FILE.h5 if it exists", 0},
    {"figure", 'p', "FIGURE", 0,
     "draw the differences over the means, with bias and limits, of the first three maps that "
     "differ, and their maps beside it (FIGURE-maps): .png, .svg or .pdf; figures that are there "
     "are replaced",
     0},
    {"mask", 'm', "MASK", 0,
     "only the pixels that this mask chooses in A, such as 'modulus > 200 MPa' (docs/masks.md)", 0},
    {"quiet", 'q', NULL, 0, "no progress", 0},
    {"json", 'j', NULL, 0, "all numbers as one JSON object instead of the text", 0},
    {0}};

static const char doc[] =
    "Compare two map files pixel by pixel: how well they agree, and why they differ.\v"
    "MAP is a name of a map (`cantle manual maps`), or `all`; without one the text shows some, and "
    "--json and --output have all. Differences are B less A, over the pixels that are accepted or "
    "doubtful in both.\n\n"
    "Bias and 95 % limits of agreement are those of Bland and Altman (Lancet 327, 1986, 307). For "
    "two fits to the same samples an information criterion says which model describes each pixel "
    "better, with the cautions that it needs.";

static error_t parse(int key, char *arg, struct argp_state *state)
{
    struct compare_wish *wish = state->input;
    switch (key) {
    case 'o':
        wish->output = arg;
        return 0;
    case 'f':
        wish->overwrite = true;
        return 0;
    case 'p':
        wish->figure = arg;
        return 0;
    case 'm':
        wish->mask = arg;
        return 0;
    case 'q':
        wish->quiet = true;
        return 0;
    case 'j':
        wish->json = true;
        return 0;
    case ARGP_KEY_ARG:
        if (wish->n_files < 2)
            wish->file[wish->n_files++] = arg;
        else if (wish->n_words < MAP_COUNT)
            wish->word[wish->n_words++] = arg;
        else
            wish->too_many = true;
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static enum status want(const char *word, struct comparison *c, struct report *rep)
{
    bool found = false;
    for (int i = 0; i < MAP_COUNT; i++) /* the name alone means all layers */
        if (map_is_named(word, i)) c->wanted[i] = c->shown[i] = found = true;
    return found ? ST_OK : map_unknown(word, rep);
}

static enum status choose(const struct compare_wish *wish, struct comparison *c, struct report *rep)
{
    static const enum map_id usual[] = {
        MAP_modulus,      MAP_adhesion,           MAP_work_of_adhesion,
        MAP_deformation,  MAP_indentation,        MAP_contact_height,
        MAP_fit_residual, MAP_reduced_chi_square, MAP_residual_runs};
    enum status st = ST_OK;
    if (wish->n_files < 2 || wish->too_many)
        return fail(rep, ST_USAGE, "which two map files? Write: cantle compare A.h5 B.h5 [MAP...]");
    bool all = wish->n_words == 1 && strcmp(wish->word[0], "all") == 0;
    for (int i = 0; i < MAP_COUNT; i++) {
        c->wanted[i] = all || wish->n_words == 0;
        c->shown[i] = all;
    }
    for (size_t i = 0; wish->n_words == 0 && i < sizeof usual / sizeof *usual; i++)
        c->shown[usual[i]] = true;
    for (size_t i = 0; i < wish->n_words && !all && st == ST_OK; i++)
        st = want(wish->word[i], c, rep);
    return st;
}

static enum status show(const struct compare_wish *wish, struct comparison *c, struct report *rep)
{
    char name[512], maps_path[4096];
    enum status st = maps_mask_spares(wish->mask, wish->output, rep);
    if (st == ST_OK && wish->output) st = comparison_write(c, wish->output, wish->overwrite, rep);
    if (st == ST_OK && wish->figure) st = comparison_figures(c, wish->figure, maps_path, rep);
    if (st != ST_OK) return st;
    if (wish->json) return describe_print(comparison_json(c), rep);
    comparison_print(c);
    if (wish->output) describe_name(wish->output, name), printf("maps: %s\n", name);
    if (wish->figure) describe_name(wish->figure, name), printf("figure: %s\n", name);
    if (wish->figure) describe_name(maps_path, name), printf("figure: %s\n", name);
    return ST_OK;
}

enum status command_compare(int argc, char **argv, const struct world *world, struct report *rep)
{
    const struct argp argp = {options, parse, "A.h5 B.h5 [MAP...]", doc, NULL, NULL, NULL};
    struct compare_wish wish = {.n_files = 0};
    bool done = false;
    enum status st = options_parse(&argp, argc, argv, world, &wish, &done, rep);
    if (st != ST_OK || done || world->rank != 0) return st;
    struct comparison *c = calloc(1, sizeof *c);
    if (!c) return fail(rep, ST_MEMORY, "not enough memory for a comparison");
    st = choose(&wish, c, rep);
    c->progress = wish.quiet ? NULL : stderr;
    if (st == ST_OK) st = comparison_make(c, wish.file[0], wish.file[1], wish.mask, rep);
    if (st == ST_OK) st = show(&wish, c, rep);
    comparison_free(c);
    free(c);
    return st;
}
