/** Files that somebody names as an input. */
#ifndef CANTLE_BASE_FILES_H
#define CANTLE_BASE_FILES_H

#include "base/status.h"

#include <stdint.h>

/** Is it a plain file that may be read? Never waits, as opening a pipe that nobody writes would.
 *  expected: what it should be, "an HDF5 file", for the message. bytes: its size, may be NULL.
 *  Errors: ST_INPUT for what is missing, may not be read, or is a folder, pipe, socket or device;
 *  the message is without the path. */
enum status file_check(const char *path, const char *expected, uint64_t *bytes,
                       struct report *rep) MUST_CHECK;

#endif
