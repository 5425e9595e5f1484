/** Parts of `cantle summary`: what was counted, and how it is shown. */
#ifndef CANTLE_COMMAND_SUMMARY_H
#define CANTLE_COMMAND_SUMMARY_H

#include "maps/maps.h"
#include "review/summary.h"

#include <stdio.h>

/** One map's part. Planes are owned. */
struct map_summary_part {
    enum map_id id;
    size_t without_value; /**< usable pixels that have none in this map */
    double *value;        /**< [ny*nx] SI, NaN = not used */
    double budget;        /**< relative standard uncertainty of the whole map; NaN = not known */
    bool budget_complete;
    struct summary s;
};

struct summary_all {
    const struct maps_view *view;
    FILE *progress;   /**< for people; NULL = silent */
    const char *mask; /**< as given; NULL = none */
    bool with_rejected;
    const struct summary_wish *wish;
    size_t chosen;                                               /**< pixels that the mask chose */
    size_t state[STATE_COUNT];                                   /**< of them */
    size_t rejected_flag[FLAG_COUNT], doubtful_flag[FLAG_COUNT]; /**< among rejected, doubtful */
    size_t n_parts;
    struct map_summary_part part[MAP_COUNT];
    uint8_t *phase; /**< [ny*nx] of the first part with phases; NULL = none. Owned */
    float *probability;
    int phase_part; /**< index of that part, -1 = none */
};

/** True for a pixel that the statistics use, if it has a value. */
bool summary_uses(const struct summary_all *a, uint8_t state);

/** To stdout: text, one JSON object, CSV. */
void summary_print(const struct summary_all *a);
enum status summary_print_json(const struct summary_all *a, struct report *rep) MUST_CHECK;
void summary_print_csv(const struct summary_all *a);

/** Histogram with log-normal fit or phases, and the phase map. */
enum status summary_draw(const struct summary_all *a, const char *path,
                         struct report *rep) MUST_CHECK;

/** Mean of a phase: exp(mean + sd^2/2), the arithmetic mean of a log-normal distribution. */
double summary_phase_mean(const struct mixture *m, int phase);

#endif
