/** Where the numbers come from: NXprocess groups, the recipe, the run. */
#ifndef CANTLE_MAPS_PROVENANCE_H
#define CANTLE_MAPS_PROVENANCE_H

#include "maps/layout.h"

/** All that is known at the start: /entry/process_1_calibration, process_2_contact_fit, run. */
void provenance_put(struct h5put *p, hid_t entry, const struct maps_origin *origin,
                    const struct maps_layout *l, int ranks);

/** What is known at the end, into the same groups: end time and the input's digest. */
void provenance_put_end(struct h5put *p, hid_t entry, const char *digest);

/** The scheduler whose job this is, NULL if none; its job's number, "" if none. */
const char *provenance_scheduler(const char **job);

/** The recipe as resolved with the values used, JSON; malloc'd, NULL without memory. */
char *provenance_resolved(const struct maps_origin *origin);

#endif
