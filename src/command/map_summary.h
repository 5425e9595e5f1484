/** What `cantle map` says at its end. */
#ifndef CANTLE_COMMAND_MAP_SUMMARY_H
#define CANTLE_COMMAND_MAP_SUMMARY_H

#include "curve/budget.h"
#include "curve/curve.h"
#include "maps/maps.h"

/** All that is said; borrowed. */
struct map_outcome {
    const char *output;
    const struct curve_plan *plan;
    const struct maps_summary *summary;
    const struct budget *budget; /**< NULL = none */
    size_t pixels, before;       /**< of the map; of these done by earlier runs */
    uint64_t run;                /**< number of this run */
    double seconds;
    int ranks;
    const struct maps_parent *parent; /**< of a refit, or NULL */
    bool finished_already;            /**< by an earlier run: nothing was done now */
};

/** Print it on standard output. */
void map_summary_print(const struct map_outcome *o);
/** The same as one JSON object, SI units. Errors: ST_MEMORY. */
enum status map_summary_json(const struct map_outcome *o, struct report *rep) MUST_CHECK;

#endif
