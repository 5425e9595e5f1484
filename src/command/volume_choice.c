#include "command/volume_choice.h"
#include "intake/intake.h"

#include <stdlib.h>
#include <string.h>

static enum status open_described(struct volume **out, const char *path,
                                  const struct description *d, struct report *rep)
{
    if (intake_is_direct(d)) return intake_open(out, d, path, NULL, rep);
    return fail(
        rep, ST_USAGE,
        "%s: text has no order that can be read in tiles; make a volume of it first: `cantle "
        "import %s %s -o VOLUME.h5`",
        path, d->path, path);
}

enum status volume_choice_open(struct volume **out, const char *path, const char *mapping,
                               char **text, struct report *rep)
{
    struct description d = {.text = NULL};
    enum status st = ST_OK;
    *out = NULL;
    if (mapping) st = description_load(&d, mapping, rep);
    if (st == ST_OK)
        st = mapping ? open_described(out, path, &d, rep) : volume_open(out, path, rep);
    if (st == ST_OK && text && !(*text = strdup(d.text ? d.text : ""))) {
        volume_close(out);
        st = fail(rep, ST_MEMORY, "not enough memory for the import description");
    }
    description_free(&d);
    return st;
}

enum status volume_choice_parsed(struct volume **out, const char *path, const char *text,
                                 const char *from, struct report *rep)
{
    struct description d = {.text = NULL};
    *out = NULL;
    if (!*text) return volume_open(out, path, rep);
    enum status st = description_parse(&d, text, strlen(text), from, rep);
    if (st == ST_OK) st = open_described(out, path, &d, rep);
    description_free(&d);
    return st;
}
