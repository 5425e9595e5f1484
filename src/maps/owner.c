#include "maps/owner.h"

#include "maps/places.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/random.h>
#include <sys/stat.h>
#include <unistd.h>

enum status owner_make(struct owner *out, uint64_t run, struct report *rep)
{
    *out = (struct owner){.run = run};
    if (getrandom(out->token, sizeof out->token, 0) != (ssize_t)sizeof out->token)
        return fail(rep, ST_BUG, "no random numbers for the token of this run: %s",
                    strerror(errno));
    out->token[0] |= 1;
    return ST_OK;
}

int owner_claim(int fd, uint64_t at, const struct owner *me)
{
    const uint64_t words[3] = {me->token[0], me->token[1], me->run};
    return place_write(fd, words, sizeof words, at);
}

int owner_read(int fd, uint64_t at, struct owner *out)
{
    uint64_t words[3];
    if (place_read(fd, words, sizeof words, at) != 0) return -1;
    *out = (struct owner){{words[0], words[1]}, words[2]};
    return 0;
}

static enum status check_open(const char *path, int now, int fd, uint64_t at,
                              const struct owner *me, struct report *rep)
{
    struct stat there, ours;
    struct owner found;
    if (fstat(now, &there) != 0 || fstat(fd, &ours) != 0)
        return fail(rep, ST_OUTPUT, "%s cannot be looked at: %s", path, strerror(errno));
    if (there.st_dev != ours.st_dev || there.st_ino != ours.st_ino)
        return fail(rep, ST_OUTPUT, "%s was replaced while this run was writing it; this run stops",
                    path);
    if (owner_read(now, at, &found) != 0)
        return fail(rep, ST_OUTPUT, "%s cannot be read: %s", path, strerror(errno));
    if (found.token[0] != me->token[0] || found.token[1] != me->token[1])
        return fail(rep, ST_OUTPUT,
                    "%s has been taken over by another run (number %llu there, this is number "
                    "%llu); this run stops and has harmed nothing",
                    path, (unsigned long long)found.run, (unsigned long long)me->run);
    return ST_OK;
}

enum status owner_check(const char *path, int fd, uint64_t at, const struct owner *me,
                        struct report *rep)
{
    int now = open(path, O_RDONLY | O_CLOEXEC);
    if (now < 0 && errno == ENOENT)
        return fail(rep, ST_OUTPUT, "%s was removed while this run was writing it; this run stops",
                    path);
    if (now < 0) return fail(rep, ST_OUTPUT, "%s cannot be opened: %s", path, strerror(errno));
    enum status st = check_open(path, now, fd, at, me, rep);
    close(now);
    return st;
}
