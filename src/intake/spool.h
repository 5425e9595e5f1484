/** A temporary file without a name: gone when it is closed, whatever happens. */
#ifndef CANTLE_INTAKE_SPOOL_H
#define CANTLE_INTAKE_SPOOL_H

#include "base/status.h"

/** In the folder of the variable TMPDIR, else /tmp. Errors: ST_OUTPUT. */
enum status spool_open(int *fd, struct report *rep) MUST_CHECK;

#endif
