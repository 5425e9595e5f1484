/* cantle map: a force volume goes in, maps come out. */
#include "base/watch.h"
#include "command/map_run.h"
#include "command/volume_choice.h"
#include "grid/drift.h"
#include "grid/substrate.h"
#include "maps/agree.h"

#include <stdlib.h>

/* What each rank does for itself, before anything is written. */
static enum status prepare(const struct map_options *o, struct map_run *run,
                           const struct world *world, struct report *rep)
{
    enum status st = map_run_watch(o, world, rep);
    if (st != ST_OK) return st;
    st = o->recipe_path ? recipe_load(&run->recipe, o->recipe_path, rep)
                        : recipe_default(&run->recipe, rep);
    if (st != ST_OK) return st;
    run->has_recipe = true;
    st = volume_choice_open(&run->volume, o->volume_path, o->mapping, &run->mapping_text, rep);
    return st == ST_OK ? map_run_plan(run, rep) : st;
}

enum status command_map(int argc, char **argv, const struct world *world, struct report *rep)
{
    struct map_options o = MAP_OPTIONS_DEFAULT("map",
                                               "no volume given; expected [RECIPE.yaml] VOLUME");
    struct map_run run = {.has_recipe = false};
    bool done = false;
    enum status st = options_parse(&map_argp, argc, argv, world, &o, &done, rep);
    if (st != ST_OK || done) return st;
    run.stop = stop_begin(o.stop_after_s);
    char *command_line = options_command_line(argc, argv);
    if (!command_line) return fail(rep, ST_MEMORY, "not enough memory for the command line");
    st = agree(MPI_COMM_WORLD, prepare(&o, &run, world, rep), rep);
    if (st == ST_OK)
        st = grid_substrate(run.volume, &run.plan, MPI_COMM_WORLD, o.quiet ? NULL : stderr, rep);
    if (st == ST_OK)
        st = grid_drift(run.volume, &run.plan, MPI_COMM_WORLD, o.quiet ? NULL : stderr, rep);
    if (st == ST_OK) st = map_run_go(&o, &run, command_line, world, rep);
    watch_outcome(status_exit(st));
    map_run_end(&run);
    free(command_line);
    return st;
}
