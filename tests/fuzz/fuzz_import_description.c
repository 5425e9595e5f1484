/* The bytes are the import description of a small source: each kind has one. */
#include "fuzz.h"

#include "intake/intake.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const char *const sources[] = {"foreign-1.h5", "curves.tar", "v.npz", "v.raw",
                                          "foreign-2.h5"};
    struct report rep = {""};
    struct description d;
    char path[1024], from[1024];
    snprintf(from, sizeof from, "%s", fuzz_import_path("fuzz.yaml"));
    enum status st = description_parse(&d, (const char *)data, size, from, &rep);
    fuzz_check_status(st, &rep);
    if (st == ST_INPUT) fuzz_wrong("text in memory that cannot be read");
    if (st != ST_OK) return 0;
    int kind = d.v[IN_source_kind].choice;
    snprintf(path, sizeof path, "%s", fuzz_import_path(sources[kind < 0 ? 0 : kind]));
    fuzz_import(&d, path, (unsigned)size);
    description_free(&d);
    return 0;
}
