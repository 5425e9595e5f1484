#include "base/output_file.h"

#include <errno.h>
#include <fcntl.h>
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

enum status output_lock(const char *path, int *fd, struct report *rep)
{
    struct flock lock = {
        .l_type = F_WRLCK, .l_whence = SEEK_SET, .l_start = (off_t)1 << 60, .l_len = 1};
    *fd = open(path, O_RDWR | O_CLOEXEC);
    if (*fd < 0) return fail(rep, ST_OUTPUT, "%s cannot be opened: %s", path, strerror(errno));
    if (fcntl(*fd, F_OFD_SETLK, &lock) == 0) return ST_OK;
    if (errno != EAGAIN && errno != EACCES) return ST_OK; /* no locks here */
    close(*fd);
    *fd = -1;
    return fail(rep, ST_OUTPUT,
                "%s is being written by another run; wait for it, or choose another name", path);
}

bool output_is_ours(const char *path, int fd)
{
    struct stat there, ours;
    return fd >= 0 && stat(path, &there) == 0 && fstat(fd, &ours) == 0 &&
           there.st_dev == ours.st_dev && there.st_ino == ours.st_ino;
}
