/** The command line of `cantle map`. */
#ifndef CANTLE_COMMAND_MAP_OPTIONS_H
#define CANTLE_COMMAND_MAP_OPTIONS_H

#include <argp.h>
#include <stdbool.h>

struct map_options {
    const char *command, *wants; /**< for messages: its word, and what it cannot do without */
    const char *recipe_path, *volume_path, *output, *mapping;
    bool overwrite, quiet, json, resume, take_over;
    double stop_after_s;  /**< 0 = no limit */
    double checkpoint_s;  /**< MAP_CHECKPOINT_S */
    double no_progress_s; /**< MAP_NO_PROGRESS_S; 0 = no limit */
};

/** Defaults. */
#define MAP_CHECKPOINT_S 30.0
#define MAP_NO_PROGRESS_S 600.0
#define MAP_OPTIONS_DEFAULT(word, needs)                                                           \
    {                                                                                              \
        .command = word, .wants = needs, .checkpoint_s = MAP_CHECKPOINT_S,                         \
        .no_progress_s = MAP_NO_PROGRESS_S                                                         \
    }

/** Their input is a struct map_options with the defaults set. map_run_argp: how a run is written,
 * stops and goes on; map_argp: that, recipe and volume. */
extern const struct argp map_run_argp, map_argp;
/** Does the name end in .yaml or .yml? */
bool map_is_recipe(const char *path);

#endif
