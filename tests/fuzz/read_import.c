/* Everything that import does with a source, and `--mapping` with it: look, open, read, write a
 * volume, and open that one. */
#include "fuzz.h"

#include "command/describe.h"
#include "intake/intake.h"
#include "volume/volume_copy.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { LARGEST_COPY = 1 << 16, MOST_KEPT = 16 };

const struct description *fuzz_description(const char *prefix, unsigned i)
{
    static struct {
        const uint8_t *seed;
        struct description d;
    } kept[MOST_KEPT];
    struct report rep = {""};
    size_t size, k = 0;
    const uint8_t *seed = fuzz_seed(prefix, i, &size);
    while (kept[k].seed && kept[k].seed != seed)
        if (++k == MOST_KEPT) fuzz_wrong("too many descriptions");
    if (!kept[k].seed && description_parse(&kept[k].d, (const char *)seed, size,
                                           fuzz_import_path("fuzz.yaml"), &rep) != ST_OK)
        fuzz_wrong(rep.text);
    kept[k].seed = seed;
    return &kept[k].d;
}

const char *fuzz_import_path(const char *name)
{
    static char path[1024];
    const char *folder = getenv("CANTLE_FUZZ_SEEDS");
    snprintf(path, sizeof path, "%s/import/%s", folder ? folder : ".", name);
    return path;
}

static void look(const struct description *d, const char *path)
{
    struct report rep = {""};
    fuzz_catch_begin();
    enum status st = intake_look(d, path, stdout, &rep);
    fuzz_catch_end(false);
    fuzz_check_status(st, &rep);
}

static void describe(struct volume *v, bool json)
{
    struct report rep = {""};
    fuzz_catch_begin();
    enum status st = describe_open_volume(v, json, &rep);
    fuzz_catch_end(json && st == ST_OK);
    fuzz_check_status(st, &rep);
    if (st == ST_MEMORY) fuzz_wrong(rep.text);
}

static bool is_small(const struct volume_facts *f)
{
    size_t n = f->ny * f->nx;
    for (int s = 0; s < SEG_COUNT; s++)
        if (f->seg[s].there) n *= 1 + f->seg[s].n; /* more than there are, never fewer */
    return f->ny * f->nx <= LARGEST_COPY && n <= LARGEST_COPY;
}

/* What was written must be a volume, of the same size. */
static void open_again(const struct volume_facts *was, const char *path)
{
    struct report rep = {""};
    struct volume *v = NULL;
    if (volume_open(&v, path, &rep) != ST_OK) fuzz_wrong(rep.text);
    const struct volume_facts *is = volume_facts(v);
    if (is->ny != was->ny || is->nx != was->nx) fuzz_wrong("the copy has another grid");
    for (int s = 0; s < SEG_COUNT; s++)
        if (is->seg[s].there != was->seg[s].there ||
            (is->seg[s].there && is->seg[s].n != was->seg[s].n))
            fuzz_wrong("the copy has other segments");
    if (volume_read_tile(v, volume_tile(v, 0), &rep) != ST_OK) fuzz_wrong(rep.text);
    volume_close(&v);
}

static void copy(struct volume *v, const struct description *d, unsigned way)
{
    struct report rep = {""};
    struct lever given;
    char output[1024];
    snprintf(output, sizeof output, "%s", fuzz_beside("copy.h5"));
    enum status st = intake_calibration(d, &given, &rep);
    fuzz_check_status(st, &rep);
    if (st != ST_OK) return;
    const struct volume_note note = {"description", d->text};
    const struct copy_job job = {.output = output,
                                 .overwrite = true,
                                 .storage = (enum storage)(way / 2 % 3),
                                 .cut = volume_cut_whole(volume_facts(v)),
                                 .calibration = &given,
                                 .note = &note,
                                 .notes = 1};
    st = volume_copy(v, &job, &rep);
    fuzz_check_status(st, &rep);
    if (st == ST_OK) open_again(volume_facts(v), output);
    if (access(output, F_OK) == 0 && st != ST_OK) fuzz_wrong("a failed import left a file");
    unlink(output);
}

void fuzz_import(const struct description *d, const char *path, unsigned way)
{
    struct report rep = {""};
    struct volume *v = NULL;
    char digest[33];
    uint64_t bytes;
    const char *const paths[] = {path};
    if (way % 4 == 0) look(d, path);
    enum status st = intake_open(&v, d, path, NULL, &rep);
    fuzz_check_status(st, &rep);
    if (st == ST_OK) {
        fuzz_read_tiles(v);
        describe(v, way % 2 != 0);
        if (is_small(volume_facts(v))) copy(v, d, way);
    }
    volume_close(&v);
    if (way % 16 == 0) fuzz_check_status(intake_digest(paths, 1, NULL, digest, &bytes, &rep), &rep);
    fuzz_check_closed();
}
