#include "command/map_options.h"

#include "base/units.h"
#include "command/volume_choice.h"

#include <string.h>

enum { KEY_TAKE_OVER = 0x200, KEY_STOP_AFTER, KEY_CHECKPOINT, KEY_LIMIT };

static const struct argp_option option_rows[] = {
    {"output", 'o', "FILE", 0, "map file to write (HDF5); needed", 0},
    {"overwrite", 'f', NULL, 0, "replace FILE if it exists, once the new one is complete", 0},
    {"quiet", 'q', NULL, 0, "no progress and no summary", 0},
    {"json", 'j', NULL, 0, "the summary as one JSON object in SI units, with --quiet too", 0},
    {"resume", 'r', NULL, 0,
     "go on with FILE.part where an earlier run stopped; begin if there is none; nothing to do if "
     "FILE is finished",
     0},
    {"take-over", KEY_TAKE_OVER, NULL, 0,
     "resume, though another run still has the lock on FILE.part: for one that is lost on a host "
     "that nobody reaches; it stops by itself if it still runs",
     0},
    {"stop-after", KEY_STOP_AFTER, "DURATION", 0,
     "stop after this time, with exit status 75, to be resumed", 0},
    {"checkpoint-interval", KEY_CHECKPOINT, "DURATION", 0,
     "longest time between two savings (30 s)", 0},
    {"no-progress-limit", KEY_LIMIT, "DURATION", 0,
     "give up, with exit status 75, when the other ranks show no sign of life for so long "
     "(10 min); 0 s: wait for ever",
     0},
    {0},
};

static const struct argp_option input_rows[] = {
    {"mapping", 'm', "DESCRIPTION.yaml", 0, MAPPING_HELP, 0},
    {0},
};

bool map_is_recipe(const char *path)
{
    const char *dot = strrchr(path, '.');
    return dot && (strcmp(dot, ".yaml") == 0 || strcmp(dot, ".yml") == 0);
}

static error_t take_argument(const char *arg, struct argp_state *state, struct map_options *o)
{
    if (!o->recipe_path && map_is_recipe(arg))
        o->recipe_path = arg;
    else if (!o->volume_path)
        o->volume_path = arg;
    else
        argp_error(
            state,
            "one argument too many: '%s'; expected [RECIPE.yaml] VOLUME (a recipe's name ends "
            "in .yaml or .yml)",
            arg);
    return 0;
}

static error_t take_duration(const char *name, const char *text, struct argp_state *state,
                             double least_s, double *out_s)
{
    struct report rep;
    if (units_quantity(text, "s", out_s, &rep) != ST_OK)
        argp_error(state, "--%s: %s", name, rep.text);
    else if (!(*out_s >= least_s))
        argp_error(state, "--%s: '%s' is too short", name, text);
    return 0;
}

static error_t parse_option(int key, char *arg, struct argp_state *state)
{
    struct map_options *o = state->input;
    switch (key) {
    case 'o':
        o->output = arg;
        return 0;
    case 'f':
        o->overwrite = true;
        return 0;
    case 'q':
        o->quiet = true;
        return 0;
    case 'j':
        o->json = true;
        return 0;
    case 'r':
        o->resume = true;
        return 0;
    case KEY_TAKE_OVER:
        o->resume = o->take_over = true;
        return 0;
    case KEY_STOP_AFTER:
        return take_duration("stop-after", arg, state, 1e-3, &o->stop_after_s);
    case KEY_CHECKPOINT:
        return take_duration("checkpoint-interval", arg, state, 0, &o->checkpoint_s);
    case KEY_LIMIT:
        return take_duration("no-progress-limit", arg, state, 0, &o->no_progress_s);
    case ARGP_KEY_END:
        if (!o->volume_path) argp_error(state, "%s", o->wants);
        if (!o->output) argp_error(state, "no output given; add -o MAPS.h5");
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static error_t parse_input(int key, char *arg, struct argp_state *state)
{
    struct map_options *o = state->input;
    switch (key) {
    case ARGP_KEY_INIT:
        state->child_inputs[0] = o;
        return 0;
    case 'm':
        o->mapping = arg;
        return 0;
    case ARGP_KEY_ARG:
        return take_argument(arg, state, o);
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

const struct argp map_run_argp = {.options = option_rows, .parser = parse_option};

static const struct argp_child children[] = {{&map_run_argp, 0, NULL, 0}, {0}};

const struct argp map_argp = {
    .options = input_rows,
    .parser = parse_input,
    .children = children,
    .args_doc = "[RECIPE.yaml] VOLUME -o FILE",
    .doc =
        "Fit the contact model of the recipe to every pixel of a force volume and write the maps.\v"
        "RECIPE.yaml says what is to be done; `cantle recipe VOLUME` prints one to start from. "
        "Without it every key has its default and the calibration is the volume's. Start it on "
        "many "
        "ranks with `mpiexec -n N cantle map ...`: the maps are the same for any N.\n\n"
        "While it runs the file is called FILE.part; it gets its name when it is complete. An "
        "existing FILE is left alone unless --overwrite is given.\n\n"
        "Whatever stops a run, FILE.part stays, and the same command with --resume goes on, with "
        "any number of ranks. SIGTERM, SIGINT and SIGUSR1 end the tiles in hand and stop with exit "
        "status 75; a second SIGINT stops at once. DURATION is a number with a unit: \"90 s\", "
        "\"2 h\".",
};
