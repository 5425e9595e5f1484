#include "intake/spool.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum status spool_open(int *fd, struct report *rep)
{
    char path[4096];
    const char *folder = getenv("TMPDIR");
    snprintf(path, sizeof path, "%s/cantle-XXXXXX", folder && *folder ? folder : "/tmp");
    *fd = mkstemp(path);
    if (*fd < 0)
        return fail(rep, ST_OUTPUT,
                    "no temporary file can be made in %s: %s; set TMPDIR to a folder with room",
                    folder && *folder ? folder : "/tmp", strerror(errno));
    unlink(path);
    return ST_OK;
}
