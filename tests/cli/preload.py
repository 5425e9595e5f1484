"""Libraries that change one call of the C library, to put a run into a situation that a test cannot wait for."""
import os
import subprocess

from run import CANTLE

# the sanitizer wants to be the first library
SANITIZED = b"libasan" in subprocess.run(["ldd", CANTLE], capture_output=True).stdout

NO_LOCKS = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
/* A file system without locks: NFS without its lock daemon says ENOLCK. */
int flock(int fd, int how) { (void)fd; (void)how; errno = ENOLCK; return -1; }
static int without(const char *name, int fd, int command, void *argument)
{
    int (*next)(int, int, ...) = (int (*)(int, int, ...))dlsym(RTLD_NEXT, name);
    if (command == F_OFD_SETLK || command == F_SETLK) { errno = ENOLCK; return -1; }
    return next(fd, command, argument);
}
int fcntl(int fd, int command, ...)
{
    va_list rest; va_start(rest, command); void *argument = va_arg(rest, void *); va_end(rest);
    return without("fcntl", fd, command, argument);
}
int fcntl64(int fd, int command, ...)
{
    va_list rest; va_start(rest, command); void *argument = va_arg(rest, void *); va_end(rest);
    return without("fcntl64", fd, command, argument);
}
"""

FAILING_DISK = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdlib.h>
#include <sys/types.h>
#include <unistd.h>
/* FAIL_CALL ("pwrite" or "fdatasync") fails with FAIL_ERRNO from its FAIL_AFTER-th time on. */
static int fails(char which)
{
    static int calls[256];
    const char *call = getenv("FAIL_CALL"), *code = getenv("FAIL_ERRNO"), *after = getenv("FAIL_AFTER");
    if (!call || call[0] != which || ++calls[(int)which] < atoi(after)) return 0;
    errno = atoi(code);
    return 1;
}
ssize_t pwrite(int fd, const void *bytes, size_t n, off_t at)
{
    ssize_t (*next)(int, const void *, size_t, off_t) = (ssize_t (*)(int, const void *, size_t, off_t))dlsym(RTLD_NEXT, "pwrite");
    return fails('p') ? -1 : next(fd, bytes, n, at);
}
int fdatasync(int fd)
{
    int (*next)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fdatasync");
    return fails('f') ? -1 : next(fd);
}
"""

SLOW_DISK = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <sys/types.h>
#include <unistd.h>
/* Each read of samples takes 100 ms. */
ssize_t pread(int fd, void *bytes, size_t n, off_t at)
{
    ssize_t (*next)(int, void *, size_t, off_t) = (ssize_t (*)(int, void *, size_t, off_t))dlsym(RTLD_NEXT, "pread");
    if (n >= 4096) usleep(100000);
    return next(fd, bytes, n, at);
}
ssize_t pread64(int fd, void *bytes, size_t n, off_t at) { return pread(fd, bytes, n, at); }
"""

CRASHING_LIBRARY = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <hdf5.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
/* HDF5 dies when the dataset CRASH_AT is opened. */
hid_t H5Dopen2(hid_t at, const char *name, hid_t how)
{
    hid_t (*next)(hid_t, const char *, hid_t) = (hid_t (*)(hid_t, const char *, hid_t))dlsym(RTLD_NEXT, "H5Dopen2");
    if (strcmp(name, getenv("CRASH_AT")) == 0) raise(SIGSEGV);
    return next(at, name, how);
}
"""

NO_MEMORY = r"""
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
void *__libc_malloc(size_t n);
/* Rank FAIL_RANK has no block of FAIL_BYTES bytes. */
void *malloc(size_t n)
{
    const char *rank = getenv("PMI_RANK"), *fails = getenv("FAIL_RANK"), *bytes = getenv("FAIL_BYTES");
    if (rank && fails && bytes && strcmp(rank, fails) == 0 && n == strtoul(bytes, NULL, 10)) return NULL;
    return __libc_malloc(n);
}
"""

HANGING_FINALIZE = r"""
#include <unistd.h>
/* MPICH 4.0 does this between hosts now and then. */
int MPI_Finalize(void) { for (;;) pause(); }
"""


def library(folder, name, source):
    """Compile it; returns the environment that loads it."""
    (folder / f"{name}.c").write_text(source)
    hdf5 = subprocess.run(["pkg-config", "--cflags", "hdf5-mpich"], capture_output=True, text=True).stdout.split()
    subprocess.run(["cc", "-shared", "-fPIC", *hdf5, "-o", f"{name}.so", f"{name}.c", "-ldl"], cwd=folder, check=True)
    return {**os.environ, "LD_PRELOAD": str(folder / f"{name}.so")}
