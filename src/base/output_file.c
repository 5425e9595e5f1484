#include "base/output_file.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum status output_check(const char *path, const char *input, bool overwrite, struct report *rep)
{
    struct stat there, source;
    if (lstat(path, &there) != 0) return ST_OK; /* also no permission: creating will tell */
    if (!overwrite)
        return fail(rep, ST_OUTPUT, "%s exists; choose another name or add --overwrite", path);
    if (stat(path, &there) == 0 && stat(input, &source) == 0 && there.st_dev == source.st_dev &&
        there.st_ino == source.st_ino)
        return fail(rep, ST_OUTPUT,
                    "%s is itself an input of this run; choose another name for the output", path);
    if (!S_ISREG(there.st_mode) && !S_ISLNK(there.st_mode))
        return fail(rep, ST_OUTPUT, "%s is not a plain file; choose another name", path);
    return ST_OK;
}

/* The folder part of a path, "." if there is none; malloc'd. */
static char *folder_of(const char *path)
{
    const char *slash = strrchr(path, '/');
    if (!slash) return strdup(".");
    return slash == path ? strdup("/") : strndup(path, (size_t)(slash - path));
}

static enum status fail_to_create(const char *path, int error, struct report *rep)
{
    char *folder = folder_of(path);
    enum status st = ST_OUTPUT;
    struct stat facts;
    if (folder && error == ENOENT && stat(folder, &facts) != 0)
        st = fail(rep, ST_OUTPUT, "%s cannot be created: there is no folder %s; make it first",
                  path, folder);
    else if (folder && (error == EACCES || error == EPERM || error == EROFS))
        st = fail(rep, ST_OUTPUT, "%s cannot be created: %s; choose a folder you may write to",
                  path, strerror(error));
    else
        st = fail(rep, ST_OUTPUT, "%s cannot be created: %s", path, strerror(error));
    free(folder);
    return st;
}

enum status output_reserve(const char *path, uint64_t bytes, struct report *rep)
{
    int fd = open(path, O_CREAT | O_EXCL | O_WRONLY | O_CLOEXEC, 0666);
    if (fd < 0) return fail_to_create(path, errno, rep);
    /* file systems that cannot reserve say EOPNOTSUPP or ENOSYS; then the writes themselves will
     * tell */
    int error = bytes > 0 && fallocate(fd, 0, 0, (off_t)bytes) != 0 ? errno : 0;
    if (ftruncate(fd, 0) != 0 && !error) error = errno;
    close(fd);
    if (error != ENOSPC && error != EFBIG && error != EDQUOT) return ST_OK;
    unlink(path);
    return fail(rep, ST_OUTPUT, "%s cannot be written: it needs %.3g MB: %s", path,
                (double)bytes * 1e-6, strerror(error));
}

/* Some file systems cannot sync a folder (EINVAL): nothing can be done, and the file itself is
 * synced. */
static int sync_folder(const char *path)
{
    char *folder = folder_of(path);
    int fd = folder ? open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC) : -1;
    int error = fd >= 0 && fsync(fd) != 0 && errno != EINVAL ? errno : 0;
    if (fd >= 0) close(fd);
    free(folder);
    return error;
}

/* Rename that fails with EEXIST; not every file system has the flag, nor hard links. */
static int rename_to_new(const char *from, const char *to)
{
    struct stat there;
    if (renameat2(AT_FDCWD, from, AT_FDCWD, to, RENAME_NOREPLACE) == 0) return 0;
    if (errno != EINVAL && errno != ENOSYS) return errno;
    if (link(from, to) == 0) return unlink(from) == 0 ? 0 : errno;
    if (errno == EEXIST) return errno;
    if (lstat(to, &there) == 0) return EEXIST;
    return rename(from, to) == 0 ? 0 : errno;
}

enum status output_publish(const char *from, const char *to, bool overwrite, struct report *rep)
{
    int error = overwrite ? (rename(from, to) == 0 ? 0 : errno) : rename_to_new(from, to);
    if (error == EEXIST)
        return fail(rep, ST_OUTPUT, "%s has appeared while it was made and is left as it is", to);
    if (error)
        return fail(rep, ST_OUTPUT, "%s cannot be renamed to %s: %s", from, to, strerror(error));
    error = sync_folder(to);
    if (error)
        return fail(rep, ST_OUTPUT, "%s is complete, but its folder cannot be synced: %s", to,
                    strerror(error));
    return ST_OK;
}

enum status output_open(const char *path, int *fd, struct report *rep)
{
    *fd = open(path, O_RDWR | O_CLOEXEC);
    return *fd >= 0 ? ST_OK
                    : fail(rep, ST_OUTPUT, "%s cannot be opened: %s", path, strerror(errno));
}

enum status output_lock(const char *path, int *fd, struct report *rep)
{
    struct flock lock = {
        .l_type = F_WRLCK, .l_whence = SEEK_SET, .l_start = (off_t)1 << 60, .l_len = 1};
    if (output_open(path, fd, rep) != ST_OK) return ST_OUTPUT;
    if (fcntl(*fd, F_OFD_SETLK, &lock) == 0) return ST_OK;
    if (errno != EAGAIN && errno != EACCES) return ST_OK; /* no locks here */
    close(*fd);
    *fd = -1;
    return fail(rep, ST_OUTPUT,
                "%s is being written by another run; wait for it, or choose another name", path);
}

enum { SIDE_DIGITS = 8 };

char *output_side_name(const char *path, const char *step, uint64_t token)
{
    size_t size = strlen(path) + strlen(step) + SIDE_DIGITS + 3;
    char *name = malloc(size);
    if (name)
        snprintf(name, size, "%s.%s-%0*" PRIx32, path, step, SIDE_DIGITS, (uint32_t)(token >> 32));
    return name;
}

/* NAME.STEP- and eight digits, nothing more: no file of anybody else. */
static bool is_side_name(const char *entry, const char *name, const char *step)
{
    size_t n = strlen(name), m = strlen(step);
    if (strncmp(entry, name, n) != 0 || entry[n] != '.' || strncmp(entry + n + 1, step, m) != 0 ||
        entry[n + 1 + m] != '-')
        return false;
    entry += n + 2 + m;
    size_t digits = strspn(entry, "0123456789abcdef");
    return digits == SIDE_DIGITS && entry[digits] == 0;
}

static void remove_unlocked(const char *folder, const char *name)
{
    struct report unused;
    char path[4096];
    int fd;
    if (snprintf(path, sizeof path, "%s/%s", folder, name) >= (int)sizeof path) return;
    if (output_lock(path, &fd, &unused) != ST_OK) return;
    unlink(path);
    close(fd);
}

void output_sweep(const char *path, const char *step)
{
    const char *slash = strrchr(path, '/'), *name = slash ? slash + 1 : path;
    char *folder = folder_of(path);
    DIR *all = folder ? opendir(folder) : NULL;
    for (struct dirent *entry; all && (entry = readdir(all));)
        if (is_side_name(entry->d_name, name, step)) remove_unlocked(folder, entry->d_name);
    if (all) closedir(all);
    free(folder);
}

bool output_is_ours(const char *path, int fd)
{
    struct stat there, ours;
    return fd >= 0 && stat(path, &there) == 0 && fstat(fd, &ours) == 0 &&
           there.st_dev == ours.st_dev && there.st_ino == ours.st_ino;
}
