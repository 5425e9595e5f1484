#include "command/stored_input.h"

#include "command/volume_choice.h"

#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static enum status name_fits(int used, struct report *rep)
{
    return used >= 0 && used < 4096 ? ST_OK : fail(rep, ST_USAGE, "a file name is too long");
}

enum status stored_volume_path(const struct maps_view *view, const char *given, char path[4096],
                               struct report *rep)
{
    const char *stored = given ? given : view->source_path;
    int used = snprintf(path, 4096, "%s", stored);
    if (given || access(stored, F_OK) == 0) return name_fits(used, rep);
    const char *slash = strrchr(view->path, '/'), *last = strrchr(stored, '/');
    used = snprintf(path, 4096, "%.*s%s", slash ? (int)(slash - view->path + 1) : 0, view->path,
                    last ? last + 1 : stored);
    enum status st = name_fits(used, rep);
    if (st == ST_OK && access(path, F_OK) != 0)
        st = fail(rep, ST_INPUT,
                  "%s: its volume '%s' is neither there nor beside the map file; say "
                  "where it is with --volume",
                  view->path, stored);
    return st;
}

enum status stored_volume(const struct maps_view *view, const char *path, struct volume **out,
                          struct report *rep)
{
    enum status st = volume_choice_parsed(out, path, view->mapping_text, view->path, rep);
    if (st != ST_OK) return st;
    const struct volume_facts *f = volume_facts(*out);
    if (f->nx == view->nx && f->ny == view->ny) return ST_OK;
    return fail(rep, ST_INPUT,
                "%s: has %zu x %zu pixels, but %s has %zu x %zu: it is not the "
                "volume of these maps; give the right one with --volume",
                path, f->nx, f->ny, view->path, view->nx, view->ny);
}

enum status stored_recipe(const struct maps_view *view, struct recipe *out, struct report *rep)
{
    const char *text = view->recipe_text ? view->recipe_text : "";
    if (!*text) return recipe_default(out, rep);
    enum status st = recipe_parse(out, text, strlen(text), view->path, rep);
    if (st != ST_OK || !view->lever_text) return st;
    out->lever_text = strdup(view->lever_text); /* as it was then, wherever it is now */
    if (out->lever_text) return ST_OK;
    recipe_free(out);
    return fail(rep, ST_MEMORY, "no memory for a lever file");
}

bool stored_input_untouched(const struct maps_view *view, const char *path)
{
    struct stat facts;
    json_t *run = json_loads(view->provenance_json, 0, NULL);
    bool same = stat(path, &facts) == 0 &&
                json_integer_value(json_object_get(run, "input_bytes")) == facts.st_size &&
                json_integer_value(json_object_get(run, "input_modified_ns")) ==
                    facts.st_mtim.tv_sec * INT64_C(1000000000) + facts.st_mtim.tv_nsec;
    json_decref(run);
    return same;
}
