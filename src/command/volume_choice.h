/** A volume as it is, or a foreign file with its import description (--mapping). */
#ifndef CANTLE_COMMAND_VOLUME_CHOICE_H
#define CANTLE_COMMAND_VOLUME_CHOICE_H

#include "volume/volume.h"

#define MAPPING_HELP                                                                               \
    "import description of the volume, which is then any HDF5 file, NumPy or raw array, read as "  \
    "it is"

/** mapping NULL: an ordinary volume. text: if not NULL it gets the description, malloc'd (""
 * without one). Errors: those of volume_open and intake_open; ST_USAGE for text, which must be
 * imported. */
enum status volume_choice_open(struct volume **out, const char *path, const char *mapping,
                               char **text, struct report *rep) MUST_CHECK;

/** The same with the description as a text in memory; from: where it came from. */
enum status volume_choice_parsed(struct volume **out, const char *path, const char *text,
                                 const char *from, struct report *rep) MUST_CHECK;

#endif
