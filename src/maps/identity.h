/** What makes the numbers of a map file: if any of it differs, a run may not go on where another
 * stopped. */
#ifndef CANTLE_MAPS_IDENTITY_H
#define CANTLE_MAPS_IDENTITY_H

#include "maps/maps.h"

#define IDENTITY_PATH "/entry/run/identity"

/** One flat JSON object: program.numerics; volume.* (grid, tiles, digest of all that is not
 * samples); each recipe key as resolved, in SI, but for those that change no number; calibration.*
 * as used. malloc'd; NULL without memory. The samples themselves are not in it: they have the
 * digests of the tiles. */
char *identity_text(const struct maps_origin *origin);

/** @return true if both are the same; else `difference` [size] says which key differs and how:
 * "contact.model was "paraboloid", now "cone"". Text that is no such object differs. */
bool identity_same(const char *before, const char *now, char *difference, size_t size);

#endif
