/* A plain driver for the fuzz targets, where libFuzzer is not: runs every file of the folders
 * named, then inputs made from them by chance. The input in hand stands in NAME.last, so that it is
 * there when the process has died. fuzz_NAME SECONDS [FOLDER...] With the variable
 * CANTLE_FUZZ_APART each input has a process of its own, and one that dies inside libhdf5 is
 * counted, no more: broken bytes can do that, see docs/volume-format.md. */
#include "fuzz.h"

#include <dirent.h>
#include <dlfcn.h>
#include <execinfo.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

enum { LARGEST = 1 << 20, MOST_FILES = 4096 };

struct last {
    uint64_t size;
    uint8_t bytes[LARGEST];
};

static struct last *last;
static struct {
    uint8_t *bytes;
    size_t size;
} corpus[MOST_FILES];
static size_t n_corpus, n_runs, n_library;
static bool apart;

/* xorshift64* (Vigna, ACM Trans. Math. Softw. 42 (2016) 30): the same inputs on every machine. */
static uint64_t next(void)
{
    static uint64_t state = 0x9e3779b97f4a7c15u;
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return state * 0x2545f4914f6cdd1du;
}

enum { DIED_IN_HDF5 = 77 };

/* Is the library among the innermost calls? */
static void look_where(int number)
{
    enum { DEPTH = 12 };
    void *at[DEPTH];
    Dl_info object;
    int n = backtrace(at, DEPTH);
    for (int i = 0; i < n; i++)
        if (dladdr(at[i], &object) && object.dli_fname && strstr(object.dli_fname, "libhdf5"))
            _exit(DIED_IN_HDF5);
    signal(number, SIG_DFL);
    raise(number);
}

static void run_here(void)
{
    /* a copy of its own size, so that AddressSanitizer sees the end */
    uint8_t *bytes = malloc(last->size ? last->size : 1);
    if (!bytes) return;
    memcpy(bytes, last->bytes, last->size);
    LLVMFuzzerTestOneInput(bytes, last->size);
    free(bytes);
}

static void run_apart(void)
{
    int how;
    fflush(NULL);
    pid_t pid = fork();
    if (pid < 0) fuzz_wrong("no process for an input");
    if (pid == 0) {
        void *first[1];
        backtrace(first, 1); /* loads what it needs, now */
        signal(SIGSEGV, look_where), signal(SIGBUS, look_where), signal(SIGFPE, look_where);
        alarm(60);
        run_here();
        _exit(0);
    }
    if (waitpid(pid, &how, 0) != pid) fuzz_wrong("a process was lost");
    bool library = WIFEXITED(how) && WEXITSTATUS(how) == DIED_IN_HDF5;
    if (!library && how != 0) fuzz_wrong("an input ended its process, it stands in NAME.last");
    n_library += library;
}

static void run(void)
{
    if (apart)
        run_apart();
    else
        run_here();
    n_runs++;
}

static void run_file(const char *path)
{
    FILE *f = fopen(path, "rb");
    if (!f) return;
    last->size = fread(last->bytes, 1, LARGEST, f);
    fclose(f);
    run();
    if (n_corpus == MOST_FILES || !(corpus[n_corpus].bytes = malloc(last->size + 1))) return;
    memcpy(corpus[n_corpus].bytes, last->bytes, last->size);
    corpus[n_corpus++].size = last->size;
}

static void run_folder(const char *folder)
{
    struct dirent **entry = NULL;
    char path[4096];
    int n = scandir(folder, &entry, NULL, alphasort);
    for (int i = 0; i < n; i++) {
        snprintf(path, sizeof path, "%s/%s", folder, entry[i]->d_name);
        if (entry[i]->d_name[0] != '.') run_file(path);
        free(entry[i]);
    }
    free(entry);
}

static void change_once(void)
{
    size_t at = last->size ? next() % last->size : 0, n = next() % 8 + 1;
    switch (next() % 4) {
    case 0:
        if (last->size) last->bytes[at] = (uint8_t)next();
        break;
    case 1:
        if (last->size) last->bytes[at] ^= (uint8_t)(1u << next() % 8);
        break;
    case 2: /* longer */
        if (last->size + n > LARGEST) break;
        memmove(last->bytes + at + n, last->bytes + at, last->size - at);
        for (size_t i = 0; i < n; i++)
            last->bytes[at + i] = (uint8_t)next();
        last->size += n;
        break;
    default: /* shorter */
        if (at + n > last->size) break;
        memmove(last->bytes + at, last->bytes + at + n, last->size - at - n);
        last->size -= n;
    }
}

static void make_input(void)
{
    if (n_corpus == 0 || next() % 4 == 0) {
        last->size = next() % 128;
        for (size_t i = 0; i < last->size; i++)
            last->bytes[i] = (uint8_t)next();
        return;
    }
    size_t i = next() % n_corpus;
    last->size = corpus[i].size;
    memcpy(last->bytes, corpus[i].bytes, last->size);
    for (uint64_t n = next() % 6 + 1; n > 0; n--)
        change_once();
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

int main(int argc, char **argv)
{
    char name[4096];
    if (argc < 2) return 2;
    apart = getenv("CANTLE_FUZZ_APART") != NULL;
    (void)fuzz_file(NULL, 0); /* makes the folder, once for all processes */
    snprintf(name, sizeof name, "%s.last", argv[0]);
    int fd = open(name, O_RDWR | O_CREAT | O_TRUNC, 0666);
    if (fd < 0 || ftruncate(fd, sizeof *last) != 0) return 2;
    last = mmap(NULL, sizeof *last, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    close(fd);
    if (last == MAP_FAILED) return 2;
    for (int i = 2; i < argc; i++)
        run_folder(argv[i]);
    size_t n_files = n_runs;
    double end_s = now_s() + strtod(argv[1], NULL);
    while (now_s() < end_s) {
        make_input();
        run();
    }
    printf("%zu inputs from files, %zu made by chance: nothing found", n_files, n_runs - n_files);
    if (n_library) printf("; libhdf5 died of %zu", n_library);
    printf("\n");
    for (size_t i = 0; i < n_corpus; i++)
        free(corpus[i].bytes);
    munmap(last, sizeof *last);
    unlink(name);
    return 0;
}
