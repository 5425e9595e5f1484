/* A digest of the bytes that a volume was made from. */
#include "base/digest.h"
#include "base/progress.h"
#include "intake/intake.h"

#include <dirent.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

struct summing {
    struct digest sum;
    uint64_t seed, bytes;
    struct digest_stream *stream;
    char *block;
    struct progress clock;
};

static const size_t block_bytes = (size_t)1 << 20;

static enum status add_file(struct summing *s, const char *path, struct report *rep)
{
    FILE *in = fopen(path, "rbe");
    size_t got;
    if (!in) return fail(rep, ST_INPUT, "%s: cannot be read: %s", path, strerror(errno));
    digest_stream_begin(s->stream, s->seed++);
    while ((got = fread(s->block, 1, block_bytes, in)) > 0) {
        digest_stream_feed(s->stream, s->block, got);
        s->bytes += got;
        progress_show(&s->clock, s->bytes);
    }
    bool bad = ferror(in);
    fclose(in);
    digest_add(&s->sum, digest_stream_end(s->stream));
    return bad ? fail(rep, ST_INPUT, "%s: cannot be read", path) : ST_OK;
}

static int by_name(const struct dirent **a, const struct dirent **b)
{
    return strverscmp((*a)->d_name, (*b)->d_name);
}

static int not_hidden(const struct dirent *e)
{
    return e->d_name[0] != '.';
}

static enum status add_folder(struct summing *s, const char *path, struct report *rep)
{
    struct dirent **entry = NULL;
    struct stat facts;
    enum status st = ST_OK;
    int n = scandir(path, &entry, not_hidden, by_name);
    if (n < 0) return fail(rep, ST_INPUT, "%s: cannot be read: %s", path, strerror(errno));
    for (int i = 0; i < n; i++) {
        char *name = NULL;
        if (st == ST_OK && asprintf(&name, "%s/%s", path, entry[i]->d_name) < 0)
            st = fail(rep, ST_MEMORY, "not enough memory for a name");
        if (st == ST_OK && stat(name, &facts) == 0 && S_ISREG(facts.st_mode))
            st = add_file(s, name, rep);
        free(name);
        free(entry[i]);
    }
    free(entry);
    return st;
}

/* For the progress alone: of a folder the sum over its files. */
static uint64_t bytes_of(const char *const *path, size_t n)
{
    uint64_t bytes = 1;
    struct stat facts;
    for (size_t i = 0; i < n; i++) {
        struct dirent **entry = NULL;
        if (stat(path[i], &facts) != 0) continue;
        int files = S_ISDIR(facts.st_mode) ? scandir(path[i], &entry, not_hidden, NULL) : 0;
        if (!S_ISDIR(facts.st_mode)) bytes += (uint64_t)facts.st_size;
        for (int k = 0; k < files; k++) {
            char *name = NULL;
            if (asprintf(&name, "%s/%s", path[i], entry[k]->d_name) >= 0 && stat(name, &facts) == 0)
                bytes += (uint64_t)facts.st_size;
            free(name);
            free(entry[k]);
        }
        free(entry);
    }
    return bytes;
}

enum status intake_digest(const char *const *path, size_t n, FILE *progress, char out[33],
                          uint64_t *bytes, struct report *rep)
{
    struct summing s = {.stream = digest_stream_new(), .block = malloc(block_bytes)};
    struct stat facts;
    enum status st = s.stream && s.block ? ST_OK : fail(rep, ST_MEMORY, "not enough memory");
    progress_begin(&s.clock, progress, "bytes read for the digest", bytes_of(path, n));
    for (size_t i = 0; i < n && st == ST_OK; i++)
        st = stat(path[i], &facts) == 0 && S_ISDIR(facts.st_mode) ? add_folder(&s, path[i], rep)
                                                                  : add_file(&s, path[i], rep);
    progress_end(&s.clock);
    digest_text(s.sum, out);
    *bytes = s.bytes;
    digest_stream_free(s.stream);
    free(s.block);
    return st;
}
