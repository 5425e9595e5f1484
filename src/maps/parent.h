/** The finished map file that a refit starts from: what it holds of each pixel, and the record of
 * the chain. */
#ifndef CANTLE_MAPS_PARENT_H
#define CANTLE_MAPS_PARENT_H

#include "maps/layout.h"
#include "maps/maps.h"
#include "maps/reuse.h"

#define REFIT_GROUP "/entry/refit"
#define REFIT_PATH REFIT_GROUP "/record"
#define FIT_GROUP "/entry/process_2_contact_fit"

struct maps_parent {
    struct maps_view view;
    char digest[33];        /**< of the bytes of the file */
    char choice_digest[33]; /**< of `chosen`; "all pixels" */
    unsigned reuse;         /**< REUSE(...): what of its results begins the new fits */
    uint8_t *chosen;        /**< [ny*nx] as stored, 1 = to be fitted again; NULL = all. Owned */
    size_t n_chosen;
    bool elsewhere[MAP_COUNT]; /**< layers that lie at another place (depth, ...) in the new file */
    double factor[MAP_COUNT];  /**< number in the file = factor x SI value */
    char *record;              /**< JSON, see parent_record. Owned */
};

/** Load it. Errors: ST_INPUT, also when it is not finished or does not say what it was made from.
 */
enum status parent_load(struct maps_parent *out, const char *path, struct report *rep) MUST_CHECK;
void parent_free(struct maps_parent *p);

/** After `chosen` is set: count, digest; planes that are not needed are let go. Errors: ST_INPUT
 * when no pixel is left. */
enum status parent_choose(struct maps_parent *p, const char *mask, struct report *rep) MUST_CHECK;

/** Compare where its layers lie with where those of the new file will: others are not copied. */
void parent_align(struct maps_parent *p, const struct map_extent *now);

/** Make p->record: {"parent": {path, digest, input_digest, model, program}, "generation": n,
 * "changed": [{key, old, new}], "reused", "mask", "pixels_refitted", "before": the parent's own
 * record or null}. changed: JSON of recipe_difference. Errors: ST_MEMORY. */
enum status parent_record(struct maps_parent *p, const char *changed, const char *mask,
                          struct report *rep) MUST_CHECK;

/** What is known of the pixel at row, col of the volume. @return NULL when nothing, else `out` */
const struct curve_hint *parent_hint(const struct maps_parent *p, size_t row, size_t col,
                                     struct curve_hint *out);
/** True for a pixel that is not to be fitted: its result as it stands in the file, but for what
 * follows from its neighbours. */
bool parent_keeps(const struct maps_parent *p, size_t row, size_t col, struct pixel_result *out);

/** Into /entry/refit. */
void parent_put(struct h5put *p, hid_t entry, const struct maps_parent *parent);

#endif
