#include "base/whole_file.h"

#include "base/output_file.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <time.h>
#include <unistd.h>

static uint64_t make_token(void)
{
    uint64_t token;
    if (getrandom(&token, sizeof token, 0) == (ssize_t)sizeof token) return token;
    return (uint64_t)time(NULL) ^ (uint64_t)getpid() << 32;
}

enum status whole_begin(struct whole_file *w, const char *path, const char *input, bool overwrite,
                        uint64_t bytes, struct report *rep)
{
    *w = (struct whole_file){.path = path, .overwrite = overwrite};
    enum status st = output_check(path, input, overwrite, rep);
    if (st != ST_OK) return st;
    w->part = output_side_name(path, "writing", make_token());
    if (!w->part) return fail(rep, ST_MEMORY, "not enough memory to write %s", path);
    st = output_reserve(w->part, bytes, rep);
    if (st == ST_OK) return ST_OK;
    free(w->part);
    w->part = NULL;
    return st;
}

enum status whole_open(const struct whole_file *w, FILE **out, struct report *rep)
{
    *out = fopen(w->part, "wbe");
    return *out ? ST_OK
                : fail(rep, ST_OUTPUT, "%s cannot be written: %s", w->path, strerror(errno));
}

enum status whole_close(const struct whole_file *w, FILE **f, struct report *rep)
{
    if (!*f) return ST_OK;
    errno = 0;
    int bad = ferror(*f) | fflush(*f);
    bad |= fsync(fileno(*f)) != 0 && errno != EINVAL;
    int why = errno;
    if (fclose(*f) != 0 && !bad) bad = 1, why = errno;
    *f = NULL;
    return bad ? fail(rep, ST_OUTPUT, "%s cannot be written: %s", w->path,
                      why ? strerror(why) : "disk full?")
               : ST_OK;
}

enum status whole_finish(struct whole_file *w, enum status st, struct report *rep)
{
    if (!w->part) return st;
    if (st == ST_OK) st = output_publish(w->part, w->path, w->overwrite, rep);
    if (st != ST_OK) unlink(w->part);
    free(w->part);
    w->part = NULL;
    return st;
}
