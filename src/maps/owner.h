/** The fence of a .part: a token in the file says which run may write. A run that resumes puts its
 * own there; whoever finds another one stops. Locks are not seen between hosts of every network
 * disk, the file's content is. */
#ifndef CANTLE_MAPS_OWNER_H
#define CANTLE_MAPS_OWNER_H

#include "base/status.h"

#include <stdint.h>
#include <sys/types.h>

/** What stands in the file: one aligned write of 24 bytes. */
struct owner {
    uint64_t token[2]; /**< random, never zero for a run */
    uint64_t run;      /**< 1, 2, ... */
};

/** A new token for run number `run`. */
enum status owner_make(struct owner *out, uint64_t run, struct report *rep) MUST_CHECK;

/** Put it into the file; nothing may be built on it before a sync. fd: open for writing; at: offset
 * of the dataset.
 *  @return -1 with errno */
int owner_claim(int fd, uint64_t at, const struct owner *me);

/** Read who owns the file; -1 with errno. */
int owner_read(int fd, uint64_t at, struct owner *out);

/** May I still write? Opens `path` anew, so that network disks look again. Errors: ST_OUTPUT: the
 * file is gone, was replaced (it is not the file of fd), or another run has claimed it. */
enum status owner_check(const char *path, int fd, uint64_t at, const struct owner *me,
                        struct report *rep) MUST_CHECK;

#endif
