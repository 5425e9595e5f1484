#include "intake/files.h"
#include "intake/utf8.h"

#include <archive.h>
#include <archive_entry.h>
#include <dirent.h>
#include <errno.h>
#include <regex.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

/* A curve of ten million samples as text: more is no curve. */
static const size_t largest_file = (size_t)512 << 20;

struct files {
    char *path;
    regex_t pattern;
    bool has_pattern;
    struct dirent **entry; /* a folder's */
    size_t n, at;
    struct archive *tar;
    bool single;
    char *text, *name;
    size_t room;
};

static enum status grow(struct files *f, size_t size, struct report *rep)
{
    if (size + 1 <= f->room) return ST_OK;
    if (size > largest_file)
        return fail(rep, ST_INPUT, "%s: is larger than %zu MiB, so it is not one curve", f->name,
                    largest_file >> 20);
    size_t room = f->room * 2 > size + 1 ? f->room * 2 : size + 1;
    char *text = realloc(f->text, room);
    if (!text) return fail(rep, ST_MEMORY, "%s: not enough memory to read it", f->name);
    f->text = text;
    f->room = room;
    return ST_OK;
}

static bool fits(const struct files *f, const char *name)
{
    return !f->has_pattern || regexec(&f->pattern, name, 0, NULL, 0) == 0;
}

static int by_name(const struct dirent **a, const struct dirent **b)
{
    return strverscmp((*a)->d_name, (*b)->d_name);
}

static int not_hidden(const struct dirent *e)
{
    return e->d_name[0] != '.';
}

static enum status open_folder(struct files *f, struct report *rep)
{
    int n = scandir(f->path, &f->entry, not_hidden, by_name);
    if (n < 0) return fail(rep, ST_INPUT, "cannot be read: %s", strerror(errno));
    f->n = (size_t)n;
    return ST_OK;
}

/* libarchive knows filters that start other programs; no file may make us do that. */
static bool open_tar(struct files *f)
{
    static int (*const filters[])(struct archive *) = {
        archive_read_support_filter_gzip, archive_read_support_filter_bzip2,
        archive_read_support_filter_xz, archive_read_support_filter_zstd};
    f->tar = archive_read_new();
    bool good = f->tar && archive_read_support_format_tar(f->tar) == ARCHIVE_OK;
    /* one that the library was built without is not OK, and not used */
    for (size_t i = 0; good && i < sizeof filters / sizeof *filters; i++)
        if (filters[i](f->tar) == ARCHIVE_FATAL) good = false;
    return good && archive_read_open_filename(f->tar, f->path, 65536) == ARCHIVE_OK;
}

/* What is no tar is a text file. */
static enum status open_file(struct files *f, struct report *rep)
{
    struct archive_entry *entry;
    f->single = !open_tar(f) || archive_read_next_header(f->tar, &entry) < ARCHIVE_WARN;
    if (f->tar) archive_read_free(f->tar);
    f->tar = NULL;
    if (f->single || open_tar(f)) return ST_OK;
    return fail(rep, ST_INPUT, "this tar cannot be opened");
}

enum status files_open(struct files **out, const char *path, const char *pattern,
                       struct report *rep)
{
    struct stat facts;
    struct files *f = calloc(1, sizeof *f);
    enum status st = ST_OK;
    *out = f;
    if (!f || !(f->path = strdup(path)) || !(f->name = calloc(1, 1)))
        st = fail(rep, ST_MEMORY, "not enough memory to open it");
    if (st == ST_OK && pattern)
        f->has_pattern = regcomp(&f->pattern, pattern, REG_EXTENDED | REG_NOSUB) == 0;
    if (st == ST_OK && stat(path, &facts) != 0)
        st = fail(rep, ST_INPUT, "cannot be read: %s", strerror(errno));
    if (st == ST_OK) st = S_ISDIR(facts.st_mode) ? open_folder(f, rep) : open_file(f, rep);
    if (st == ST_OK) return st;
    files_close(out);
    return within(rep, st, "%s: ", path);
}

static enum status take_name(struct files *f, const char *path, struct report *rep)
{
    const char *slash = strrchr(path, '/');
    free(f->name);
    f->name = strdup(slash ? slash + 1 : path);
    return f->name ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for a name");
}

static enum status read_plain(struct files *f, const char *path, size_t *size, struct report *rep)
{
    FILE *in = fopen(path, "rbe");
    enum status st = ST_OK;
    *size = 0;
    if (!in) return fail(rep, ST_INPUT, "%s: cannot be read: %s", path, strerror(errno));
    for (size_t got = 1; st == ST_OK && got > 0; *size += got) {
        got = 0;
        st = grow(f, *size + 65536, rep);
        if (st == ST_OK) got = fread(f->text + *size, 1, f->room - *size - 1, in);
    }
    if (st == ST_OK && ferror(in))
        st = fail(rep, ST_INPUT, "%s: cannot be read: %s", path, strerror(errno));
    fclose(in);
    return st;
}

static enum status next_of_folder(struct files *f, size_t *size, bool *more, struct report *rep)
{
    struct stat facts;
    char *path = NULL;
    enum status st = ST_OK;
    *more = false;
    while (f->at < f->n && !*more && st == ST_OK) {
        const char *name = f->entry[f->at++]->d_name;
        if (!fits(f, name)) continue;
        if (asprintf(&path, "%s/%s", f->path, name) < 0)
            return fail(rep, ST_MEMORY, "not enough memory for a name");
        if (stat(path, &facts) == 0 && S_ISREG(facts.st_mode)) {
            *more = true;
            st = take_name(f, name, rep);
            if (st == ST_OK) st = read_plain(f, path, size, rep);
        }
        free(path);
    }
    return st;
}

static enum status next_member(struct files *f, size_t *size, bool *more, struct report *rep)
{
    struct archive_entry *entry;
    enum status st = ST_OK;
    *more = false;
    for (;;) {
        int code = archive_read_next_header(f->tar, &entry);
        if (code == ARCHIVE_EOF) return ST_OK;
        if (code < ARCHIVE_WARN) /* a warning: the name cannot be said in this locale */
            return fail(rep, ST_INPUT, "%s: cannot be read: %s", f->path,
                        archive_error_string(f->tar));
        const char *path = archive_entry_pathname_utf8(entry);
        if (!path) path = archive_entry_pathname(entry);
        if (!path || archive_entry_filetype(entry) != AE_IFREG) continue;
        if ((st = take_name(f, path, rep)) != ST_OK) return st;
        if (*f->name != '.' && fits(f, f->name)) break;
    }
    *more = true;
    *size = 0;
    for (la_ssize_t got = 1; st == ST_OK && got > 0; *size += (size_t)got) {
        st = grow(f, *size + 65536, rep);
        if (st != ST_OK) break;
        got = archive_read_data(f->tar, f->text + *size, f->room - *size - 1);
        if (got < 0)
            return fail(rep, ST_INPUT, "%s: %s: cannot be unpacked: %s", f->path, f->name,
                        archive_error_string(f->tar));
    }
    return st;
}

static enum status next_of_tar(struct files *f, size_t *size, bool *more, struct report *rep)
{
    locale_t before = utf8_enter();
    enum status st = next_member(f, size, more, rep);
    utf8_leave(before);
    return st;
}

enum status files_next(struct files *f, struct file_text *out, bool *more, struct report *rep)
{
    size_t size = 0;
    enum status st = ST_OK;
    if (f->single) {
        *more = f->at++ == 0;
        if (*more) st = take_name(f, f->path, rep);
        if (*more && st == ST_OK) st = read_plain(f, f->path, &size, rep);
    } else {
        st = f->tar ? next_of_tar(f, &size, more, rep) : next_of_folder(f, &size, more, rep);
    }
    if (st != ST_OK || !*more) return st;
    f->text[size] = 0;
    *out = (struct file_text){f->name, f->text, size};
    return ST_OK;
}

size_t files_count(const struct files *f)
{
    return f->single ? 1 : f->n;
}

void files_close(struct files **f)
{
    struct files *old = *f;
    *f = NULL;
    if (!old) return;
    for (size_t i = 0; i < old->n; i++)
        free(old->entry[i]);
    free(old->entry);
    if (old->tar) archive_read_free(old->tar);
    if (old->has_pattern) regfree(&old->pattern);
    free(old->text);
    free(old->name);
    free(old->path);
    free(old);
}
