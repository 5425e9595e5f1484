/* A plain driver for the fuzz targets, where libFuzzer is not: runs every file of the folders
 * named, then inputs made from them by chance. The input in hand stands in NAME.last, so that it is
 * there when the process has died. fuzz_NAME SECONDS [FOLDER...] */
#include "fuzz.h"

#include <dirent.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
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
static size_t n_corpus, n_runs;

/* xorshift64* (Vigna, ACM Trans. Math. Softw. 42 (2016) 30): the same inputs on every machine. */
static uint64_t next(void)
{
    static uint64_t state = 0x9e3779b97f4a7c15u;
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return state * 0x2545f4914f6cdd1du;
}

static void run(void)
{
    /* a copy of its own size, so that AddressSanitizer sees the end */
    uint8_t *bytes = malloc(last->size ? last->size : 1);
    if (!bytes) return;
    memcpy(bytes, last->bytes, last->size);
    LLVMFuzzerTestOneInput(bytes, last->size);
    free(bytes);
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
    printf("%zu inputs from files, %zu made by chance: nothing found\n", n_files, n_runs - n_files);
    for (size_t i = 0; i < n_corpus; i++)
        free(corpus[i].bytes);
    munmap(last, sizeof *last);
    unlink(name);
    return 0;
}
