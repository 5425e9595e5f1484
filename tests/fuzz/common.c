#include "fuzz.h"

#include "base/words.h"

#include <dirent.h>
#include <fcntl.h>
#include <hdf5.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static int file = -1;
static char private_folder[512], file_path[600];

void fuzz_wrong(const char *what)
{
    fprintf(stderr, "found: %s\n", what);
    abort();
}

static void remove_folder(void)
{
    unlink(file_path);
    rmdir(private_folder);
}

static void make_folder(void)
{
    const char *base = getenv("TMPDIR");
    snprintf(private_folder, sizeof private_folder, "%s/cantle-fuzz-XXXXXX",
             base && *base ? base : "/dev/shm");
    if (!mkdtemp(private_folder)) fuzz_wrong("no folder for the file can be made");
    snprintf(file_path, sizeof file_path, "%s/f.h5", private_folder);
    atexit(remove_folder);
}

const char *fuzz_file(const uint8_t *data, size_t size)
{
    if (!*private_folder) make_folder();
    if (file >= 0) close(file);
    unlink(file_path); /* a new one: HDF5 knows files by their inode */
    file = open(file_path, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
    if (file < 0) fuzz_wrong("the file cannot be made");
    for (size_t done = 0; done < size;) {
        ssize_t n = write(file, data + done, size - done);
        if (n <= 0) fuzz_wrong("the file cannot be written");
        done += (size_t)n;
    }
    return file_path;
}

const char *fuzz_beside(const char *name)
{
    static char path[sizeof private_folder + 64];
    if (!*private_folder) make_folder();
    snprintf(path, sizeof path, "%s/%.60s", private_folder, name);
    return path;
}

void fuzz_check_text(const char *text, bool lines)
{
    while (*text) {
        size_t n = words_character(text);
        if (n == 0) fuzz_wrong("a text that is not UTF-8");
        if (words_is_control(text) && !(lines && *text == '\n')) fuzz_wrong("a control character");
        text += n;
    }
}

void fuzz_check_status(enum status st, const struct report *rep)
{
    if (st == ST_OK) return;
    if (st == ST_BUG) fuzz_wrong(rep->text);
    if (!*rep->text) fuzz_wrong("a failure without a message");
    fuzz_check_text(rep->text, false);
}

void fuzz_check_closed(void)
{
    if (H5Fget_obj_count((hid_t)H5F_OBJ_ALL, H5F_OBJ_ALL) != 0)
        fuzz_wrong("an object of HDF5 is left open");
}

static FILE *real_stdout;
static char *caught;
static size_t caught_size;

void fuzz_catch_begin(void)
{
    real_stdout = stdout;
    stdout = open_memstream(&caught, &caught_size);
    if (!stdout) fuzz_wrong("no stream in memory");
}

void fuzz_catch_end(bool json)
{
    fclose(stdout);
    stdout = real_stdout;
    if (strlen(caught) != caught_size) fuzz_wrong("a NUL was printed");
    fuzz_check_text(caught, true);
    if (json) {
        json_t *value = json_loads(caught, 0, NULL);
        if (!value) fuzz_wrong("what was printed is not JSON");
        json_decref(value);
    }
    free(caught);
    caught = NULL;
}

unsigned dice_byte(struct dice *d)
{
    return d->at < d->end ? *d->at++ : 0;
}

unsigned dice_below(struct dice *d, unsigned n)
{
    return dice_byte(d) % n;
}

/* --- seeds --- */

enum { MOST_SEEDS = 64 };

struct seed {
    char name[256];
    uint8_t *bytes;
    size_t size;
};

static struct seed seeds[MOST_SEEDS];
static size_t n_seeds;

static void read_seed(const char *folder, const char *name)
{
    char path[1024];
    struct seed *s = &seeds[n_seeds];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    snprintf(s->name, sizeof s->name, "%s", name);
    FILE *f = fopen(path, "rb");
    if (!f || fseek(f, 0, SEEK_END) != 0) fuzz_wrong("a seed cannot be read");
    s->size = (size_t)ftell(f);
    s->bytes = malloc(s->size ? s->size : 1);
    rewind(f);
    if (!s->bytes || fread(s->bytes, 1, s->size, f) != s->size) fuzz_wrong("a seed cannot be read");
    fclose(f);
    n_seeds++;
}

/* In the order of their names: the same input means the same file on every machine. */
static void read_folder(const char *folder)
{
    struct dirent **entry = NULL;
    int n = scandir(folder, &entry, NULL, alphasort);
    for (int i = 0; i < n; i++) {
        const char *name = entry[i]->d_name;
        if ((strstr(name, ".h5") || strstr(name, ".yaml")) && n_seeds < MOST_SEEDS)
            read_seed(folder, name);
        free(entry[i]);
    }
    free(entry);
}

static void read_seeds(void)
{
    char import[1024];
    const char *folder = getenv("CANTLE_FUZZ_SEEDS");
    if (folder) {
        snprintf(import, sizeof import, "%s/import", folder);
        read_folder(folder);
        read_folder(import);
    }
    if (n_seeds == 0)
        fuzz_wrong("no seeds: CANTLE_FUZZ_SEEDS must name the folder that seeds.sh makes");
}

const uint8_t *fuzz_seed(const char *prefix, unsigned i, size_t *size)
{
    const struct seed *fit[MOST_SEEDS];
    unsigned n = 0;
    if (n_seeds == 0) read_seeds();
    for (size_t k = 0; k < n_seeds; k++)
        if (strncmp(seeds[k].name, prefix, strlen(prefix)) == 0) fit[n++] = &seeds[k];
    if (n == 0) fuzz_wrong("no seed of this kind");
    *size = fit[i % n]->size;
    return fit[i % n]->bytes;
}
