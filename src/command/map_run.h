/** From a plan to a finished map file: what `map` and `refit` share. */
#ifndef CANTLE_COMMAND_MAP_RUN_H
#define CANTLE_COMMAND_MAP_RUN_H

#include "command/command.h"
#include "command/map_options.h"
#include "grid/stop.h"
#include "maps/maps.h"
#include "maps/parent.h"
#include "recipe/recipe.h"

struct map_run {
    struct recipe recipe;
    bool has_recipe;
    struct volume *volume;
    char *mapping_text; /**< import description that the volume was opened with; NULL or "": none */
    struct curve_plan plan;
    const struct maps_parent *parent; /**< a refit starts from it, or NULL */
    struct maps *maps;
    struct maps_found found;
    struct stop stop;
    struct budget budget;
    bool has_budget;
};

/** Signals and the watch over waiting, from here to the end of the process. */
enum status map_run_watch(const struct map_options *o, const struct world *world,
                          struct report *rep) MUST_CHECK;
/** run->plan from recipe and volume. Errors: those of curve_plan_make. */
enum status map_run_plan(struct map_run *run, struct report *rep) MUST_CHECK;
/** All that the maps are made from, for the file. */
enum status map_run_origin(const struct map_options *o, const struct map_run *run,
                           const char *command_line, struct maps_origin *out,
                           struct report *rep) MUST_CHECK;
/** Collective, with the same plan on all ranks: create or resume, fill, finish, summary. */
enum status map_run_go(const struct map_options *o, struct map_run *run, const char *command_line,
                       const struct world *world, struct report *rep) MUST_CHECK;
/** Release what the run owns; not the parent. */
void map_run_end(struct map_run *run);

#endif
