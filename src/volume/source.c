#include "volume/source.h"
#include "base/files.h"
#include "volume/skeleton.h"
#include "volume/storage.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

void source_clear(struct source *s)
{
    *s = (struct source){.file = H5I_INVALID_HID, .access = H5I_INVALID_HID};
}

void source_close(struct source *s)
{
    if (s->access >= 0) H5Pclose(s->access);
    if (s->skeleton)
        skeleton_free(&s->skeleton); /* with the file */
    else if (s->file >= 0)
        H5Fclose(s->file);
    source_clear(s);
}

/* HDF5 itself forgives only ENOSYS; a lock that somebody holds is its business, none at all ours.
 */
static bool has_locks(const char *path)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    bool yes = fd < 0 || flock(fd, LOCK_SH | LOCK_NB) == 0 || errno == EWOULDBLOCK;
    if (fd >= 0) close(fd);
    return yes;
}

static enum status check_file(struct source *s, const char *path, struct report *rep)
{
    enum status st = file_check(path, "an HDF5 file", &s->bytes, rep);
    if (st != ST_OK) return st;
    s->locks = has_locks(path);
    if (H5Fis_hdf5(path) <= 0)
        return fail(rep, ST_INPUT, "is not an HDF5 file; see docs/volume-format.md for the layout");
    return ST_OK;
}

static enum status make_access(struct source *s, struct report *rep)
{
    s->access = storage_access(&s->left_file);
    return s->access >= 0 ? ST_OK : fail(rep, ST_BUG, "HDF5 cannot make an access list");
}

enum status source_wrap(struct source *s, struct skeleton *sk, uint64_t bytes, struct report *rep)
{
    source_clear(s);
    s->skeleton = sk;
    s->file = skeleton_file(sk);
    s->bytes = bytes;
    return make_access(s, rep);
}

enum status source_open(struct source *s, const char *path, struct report *rep)
{
    /* HDF5 prints its error stack by itself unless told not to; our message is the one line. */
    H5Eset_auto2(H5E_DEFAULT, NULL, NULL);
    source_clear(s);
    enum status st = check_file(s, path, rep);
    if (st != ST_OK) return st;
    hid_t how = H5Pcreate(H5P_FILE_ACCESS);
    /* a file system without locks is no reason to refuse reading */
    if (how >= 0 && H5Pset_file_locking(how, s->locks, 1) >= 0)
        s->file = H5Fopen(path, H5F_ACC_RDONLY, how);
    if (how >= 0) H5Pclose(how);
    if (s->file < 0)
        st = fail(rep, ST_INPUT,
                  "is HDF5, but cannot be opened: truncated, damaged, or another "
                  "program is writing it; copy it again or wait for the writer");
    else
        st = make_access(s, rep);
    if (st != ST_OK) source_close(s);
    return st;
}

static enum status refused(const char *name, struct report *rep)
{
    return fail(rep, ST_INPUT,
                "%s: is an external link; a volume is one file: copy the data into it", name);
}

/* One link of a path: `name` ends behind it. */
static enum status check_link(struct source *s, const char *name, bool last, bool *there,
                              struct report *rep)
{
    H5L_info_t info;
    *there = false;
    htri_t known = H5Lexists(s->file, name, s->access);
    if (s->left_file) return refused(name, rep);
    if (known == 0) return ST_OK;
    if (known < 0 || H5Lget_info(s->file, name, &info, s->access) < 0)
        return fail(rep, ST_INPUT, "%s: cannot be looked up, the file is damaged", name);
    if (info.type != H5L_TYPE_HARD && info.type != H5L_TYPE_SOFT) return refused(name, rep);
    hid_t object = H5Oopen(s->file, name, s->access);
    if (s->left_file) return refused(name, rep);
    if (object < 0)
        return fail(rep, ST_INPUT, "%s: cannot be opened: %s", name,
                    info.type == H5L_TYPE_SOFT ? "the link points to nothing"
                                               : "the file is damaged");
    H5I_type_t kind = H5Iget_type(object);
    H5Oclose(object);
    if (!last && kind != H5I_GROUP) return fail(rep, ST_INPUT, "%s: is not a group", name);
    *there = true;
    return ST_OK;
}

enum status source_has(struct source *s, const char *name, bool *there, struct report *rep)
{
    char part[128];
    enum status st = ST_OK;
    *there = true;
    for (size_t i = 1; st == ST_OK && *there && i <= strlen(name); i++) {
        if (name[i] != '/' && name[i] != 0) continue;
        if (strspn(name, "/") >= i) continue; /* the root is no link, and is always there */
        snprintf(part, sizeof part, "%.*s", (int)i, name);
        st = check_link(s, part, name[i] == 0, there, rep);
    }
    return st;
}
