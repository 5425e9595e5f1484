/** Numbers about finished maps. No files. */
#ifndef CANTLE_MAPS_STATISTICS_H
#define CANTLE_MAPS_STATISTICS_H

#include "maps/maps.h"

#define QUANTILE_COUNT 5
/** 0.02, 0.25, 0.5, 0.75, 0.98 */
extern const double statistics_quantiles[QUANTILE_COUNT];

/** Pixels by state and by flag, n of each. */
void statistics_count(const uint8_t *state, const uint64_t *flags, size_t n,
                      struct maps_summary *summary);

/** Quantiles of a map over accepted and doubtful pixels with a finite value, linear between
 * neighbours (gsl_stats_float_quantile_from_sorted_data); NaN when there is none. Sorts `values` in
 * place, which are lost. Numbers are in the unit of `values`. @return how many pixels counted */
size_t statistics_of_map(float *values, const uint8_t *state, size_t n, double out[QUANTILE_COUNT]);

/** The same as the summary's row of a map, in SI: out / factor. */
void statistics_to_summary(struct maps_summary *summary, int map, size_t n,
                           const double quantile[QUANTILE_COUNT], double factor);

#endif
