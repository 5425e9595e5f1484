#include "base/files.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum status file_check(const char *path, const char *expected, uint64_t *bytes, struct report *rep)
{
    struct stat facts;
    if (stat(path, &facts) != 0) return fail(rep, ST_INPUT, "cannot be read: %s", strerror(errno));
    if (S_ISDIR(facts.st_mode)) return fail(rep, ST_INPUT, "is a directory, expected %s", expected);
    if (!S_ISREG(facts.st_mode))
        return fail(rep, ST_INPUT,
                    "is not a plain file, expected %s; write what a pipe brings to a file first",
                    expected);
    /* it may have become a pipe since */
    int fd = open(path, O_RDONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (fd < 0) return fail(rep, ST_INPUT, "cannot be read: %s", strerror(errno));
    close(fd);
    if (bytes) *bytes = (uint64_t)facts.st_size;
    return ST_OK;
}
