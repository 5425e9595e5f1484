/** Masks: a choice of pixels as a text, read once and applied to the planes of a map file. The
 * syntax is that of docs/masks.md. Numbers only: datasets that a mask names are read by
 * maps/masking.h. */
#ifndef CANTLE_REVIEW_MASK_H
#define CANTLE_REVIEW_MASK_H

#include "base/status.h"
#include "curve/result.h"

#include <stddef.h>
#include <stdint.h>

struct mask;

/** A dataset that a mask names, FILE.h5:/PATH. */
struct mask_source {
    char *file, *path; /**< owned by the mask */
    double *value;     /**< [ny*nx], malloc'd, given by the caller before mask_apply; owned by the
                            mask from then on. NaN is no choice */
};

/** What a mask is applied to; all borrowed. y, x ascend; planes are [ny*nx], row-major. */
struct mask_grid {
    size_t ny, nx;
    const double *y_m, *x_m;
    const float *map[MAP_COUNT], *error[MAP_COUNT]; /**< NULL = not there */
    double factor[MAP_COUNT];                       /**< SI value = factor * number */
    const uint64_t *flags;
    const uint8_t *state;
};

/** Read a mask. Names of maps, flags and states, and units, are checked here, before any file is
 *  opened. Errors: ST_USAGE with the place in the text, ST_MEMORY; *out is NULL then. */
enum status mask_parse(struct mask **out, const char *text, struct report *rep) MUST_CHECK;

/** The datasets it names; each wants its value before mask_apply. */
size_t mask_sources(const struct mask *m);
struct mask_source *mask_source(struct mask *m, size_t i);

/** Choose: out[ny*nx] = 1 where the mask holds, else 0. A comparison with a map that has no value
 *  (NaN) at a pixel does not hold there. Polygons and rectangles hold for pixels whose centre lies
 *  inside; crossing number: M. Shimrat, Algorithm 112, Commun. ACM 5 (1962) 434 (from memory).
 *  Errors: ST_USAGE when a map is not there, with the place; ST_MEMORY. */
enum status mask_apply(const struct mask *m, const struct mask_grid *g, uint8_t *out,
                       struct report *rep) MUST_CHECK;

/** Accepts NULL; sets *m NULL. */
void mask_free(struct mask **m);

#endif
