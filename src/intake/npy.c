/* NumPy's files: header after NumPy Enhancement Proposal 1, "A Simple File Format for NumPy Arrays"
 * (R. Kern, 2007); an .npz file is a zip of them. */
#include "intake/build.h"
#include "intake/spool.h"
#include "intake/utf8.h"

#include <archive.h>
#include <archive_entry.h>
#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { LARGEST_HEADER = 65536 };

struct npy_header {
    enum number number;
    bool swap, fortran;
    int rank;
    size_t dims[MOST_RANK];
    uint64_t offset;
};

/* What follows 'key': in the header's dictionary, blanks skipped. */
static const char *after_key(const char *header, const char *key)
{
    const char *at = strstr(header, key);
    if (!at) return NULL;
    at += strlen(key);
    at += strspn(at, " ");
    if (*at++ != ':') return NULL;
    return at + strspn(at, " ");
}

static bool read_descr(const char *text, struct npy_header *h)
{
    static const struct {
        const char *code;
        enum number number;
    } codes[] = {{"i1", NUMBER_int8},   {"u1", NUMBER_uint8},  {"b1", NUMBER_uint8},
                 {"i2", NUMBER_int16},  {"u2", NUMBER_uint16}, {"i4", NUMBER_int32},
                 {"u4", NUMBER_uint32}, {"i8", NUMBER_int64},  {"f4", NUMBER_float32},
                 {"f8", NUMBER_float64}};
    const uint16_t probe = 1;
    bool host_is_little = *(const unsigned char *)&probe == 1;
    if (*text != '\'' && *text != '"') return false;
    text++;
    if (!strchr("<>|=", *text)) return false;
    h->swap = (*text == '<' && !host_is_little) || (*text == '>' && host_is_little);
    for (size_t i = 0; i < sizeof codes / sizeof *codes; i++)
        if (strncmp(text + 1, codes[i].code, 2) == 0 && (text[3] == '\'' || text[3] == '"')) {
            h->number = codes[i].number;
            return true;
        }
    return false;
}

static bool read_shape(const char *text, struct npy_header *h)
{
    if (*text++ != '(') return false;
    for (text += strspn(text, " "); *text != ')'; text += strspn(text, " ,L")) {
        char *rest;
        if (!isdigit((unsigned char)*text) || h->rank == MOST_RANK) return false;
        h->dims[h->rank++] = (size_t)strtoull(text, &rest, 10);
        text = rest;
    }
    return true;
}

static enum status read_header(int fd, const char *name, struct npy_header *h, struct report *rep)
{
    unsigned char start[12];
    char *text = calloc(LARGEST_HEADER + 1, 1);
    enum status st = ST_OK;
    if (!text) return fail(rep, ST_MEMORY, "%s: not enough memory to read it", name);
    *h = (struct npy_header){0};
    if (pread(fd, start, sizeof start, 0) != sizeof start || memcmp(start, "\x93NUMPY", 6) != 0) {
        st = fail(rep, ST_INPUT, "%s: is not a NumPy file", name);
        goto done;
    }
    bool wide = start[6] >= 2;
    size_t length = (size_t)start[8] | (size_t)start[9] << 8;
    if (wide) length |= (size_t)start[10] << 16 | (size_t)start[11] << 24;
    h->offset = (wide ? 12 : 10) + (uint64_t)length;
    if (start[6] < 1 || start[6] > 3 || length > LARGEST_HEADER ||
        pread(fd, text, length, wide ? 12 : 10) != (ssize_t)length) {
        st = fail(rep, ST_INPUT, "%s: the header of this NumPy file is damaged", name);
        goto done;
    }
    const char *descr = after_key(text, "'descr'"), *shape = after_key(text, "'shape'"),
               *order = after_key(text, "'fortran_order'");
    if (!descr || !shape || !order || !read_shape(shape, h))
        st = fail(rep, ST_INPUT, "%s: the header of this NumPy file is not understood", name);
    else if (!read_descr(descr, h))
        st = fail(rep, ST_INPUT,
                  "%s: holds numbers of type %.16s; integers and floats of 4 or 8 bytes are read",
                  name, descr);
    else
        h->fortran = strncmp(order, "True", 4) == 0;
done:
    free(text);
    return st;
}

/* Takes fd. */
static enum status open_npy(struct array **out, int fd, const char *name, struct report *rep)
{
    struct npy_header h = {0};
    struct stat facts;
    size_t dims[MOST_RANK];
    enum status st = read_header(fd, name, &h, rep);
    if (st == ST_OK && fstat(fd, &facts) != 0)
        st = fail(rep, ST_INPUT, "%s: cannot be read: %s", name, strerror(errno));
    if (st != ST_OK) {
        close(fd);
        return st;
    }
    for (int i = 0; i < h.rank; i++)
        dims[i] = h.dims[h.fortran ? h.rank - 1 - i : i];
    st = array_bytes(out, fd, (uint64_t)facts.st_size, name, h.number, h.swap, h.offset, h.rank,
                     dims, rep);
    if (st == ST_OK) (*out)->backwards = h.fortran && h.rank > 1;
    return st;
}

/* --- .npz --- */

static bool is_member(const char *entry, const char *member)
{
    size_t n = strlen(member);
    return strncmp(entry, member, n) == 0 && (!entry[n] || strcmp(entry + n, ".npy") == 0);
}

static enum status unpack(struct archive *zip, int fd, const char *name, struct report *rep)
{
    static const size_t block = 65536;
    char *buffer = malloc(block);
    enum status st = buffer ? ST_OK : fail(rep, ST_MEMORY, "%s: not enough memory", name);
    while (st == ST_OK) {
        la_ssize_t got = archive_read_data(zip, buffer, block);
        if (got == 0) break;
        if (got < 0)
            st = fail(rep, ST_INPUT, "%s: cannot be unpacked: %s", name, archive_error_string(zip));
        else if (write(fd, buffer, (size_t)got) != got)
            st = fail(rep, ST_OUTPUT,
                      "%s: cannot be unpacked into a temporary file: %s; set TMPDIR to a folder "
                      "with room",
                      name, strerror(errno));
    }
    free(buffer);
    return st;
}

static enum status open_member(struct array **out, const char *path, const char *member,
                               struct report *rep)
{
    char name[400], list[300] = "";
    struct archive_entry *entry;
    struct archive *zip = archive_read_new();
    int fd = -1;
    enum status st = ST_OK;
    snprintf(name, sizeof name, "%s: %s", path, member);
    if (!zip || archive_read_support_format_zip(zip) != ARCHIVE_OK ||
        archive_read_open_filename(zip, path, 65536) != ARCHIVE_OK) {
        st = fail(rep, ST_INPUT, "%s: is not an .npz file", path);
        goto done;
    }
    for (;;) {
        int code = archive_read_next_header(zip, &entry);
        if (code == ARCHIVE_EOF || code < ARCHIVE_WARN) break;
        const char *here = archive_entry_pathname_utf8(entry);
        if (!here) here = archive_entry_pathname(entry);
        if (here && is_member(here, member)) {
            st = spool_open(&fd, rep);
            if (st == ST_OK) st = unpack(zip, fd, name, rep);
            goto done;
        }
        if (here)
            snprintf(list + strlen(list), sizeof list - strlen(list), "%s%.*s", *list ? ", " : "",
                     (int)strcspn(here, "."), here);
    }
    st = fail(rep, ST_INPUT, "%s: has no member '%s'; it has %s", path, member,
              *list ? list : "none that can be read");
done:
    if (zip) archive_read_free(zip);
    if (st == ST_OK) return open_npy(out, fd, name, rep);
    if (fd >= 0) close(fd);
    return st;
}

enum status array_npy(struct array **out, const char *path, const char *member, struct report *rep)
{
    *out = NULL;
    if (*member) {
        locale_t before = utf8_enter();
        enum status st = open_member(out, path, member, rep);
        utf8_leave(before);
        return st;
    }
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0) return fail(rep, ST_INPUT, "%s: cannot be read: %s", path, strerror(errno));
    return open_npy(out, fd, path, rep);
}
