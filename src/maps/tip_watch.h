/** The tip watch on the maps of one file: adhesion, modulus and contact height along the lines. */
#ifndef CANTLE_MAPS_TIP_WATCH_H
#define CANTLE_MAPS_TIP_WATCH_H

#include "maps/layout.h"

#include <stdint.h>

#define TIP_GROUP "/entry/tip_watch"

struct tip_watch;

/** Rows are taken as scan lines, in the order of the volume. Errors: ST_MEMORY. */
enum status tip_watch_new(struct tip_watch **out, size_t ny, size_t nx, bool rows_reversed,
                          struct report *rep) MUST_CHECK;
void tip_watch_free(struct tip_watch *w); /**< accepts NULL */

/** Give it a map [ny*nx] in the file's order and unit (factor x SI). Accepted and doubtful pixels
 * count. */
void tip_watch_take(struct tip_watch *w, int channel, const float *plane, double factor,
                    const uint8_t *state);

/** Lines of *out are rows of the volume. Errors: ST_MEMORY. */
enum status tip_watch_find(const struct tip_watch *w, double level, struct breaks *out,
                           struct report *rep) MUST_CHECK;

/** Flag every pixel with a curve from this row of the volume on; accepted ones become doubtful. */
void tip_watch_flag(const struct tip_watch *w, size_t line, uint64_t *flags, uint8_t *state);

/** Into and out of the map file; a file without the group has not been looked at. */
void tip_watch_put(struct h5put *p, hid_t entry, const struct breaks *b,
                   const struct maps_layout *l);
enum status tip_watch_get(struct breaks *out, hid_t file, struct report *rep) MUST_CHECK;

#endif
