#include "maps/map_array.h"

#include "base/guard.h"
#include "base/units.h"
#include "base/words.h"
#include "maps/h5get.h"
#include "maps/layout.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Shape, type and words of a dataset that h5get_class has looked at. */
static enum status look(hid_t set, struct map_array *a, H5T_class_t class, size_t dims[3],
                        int *rank, struct report *rep)
{
    hsize_t found[H5S_MAX_RANK];
    char unit[sizeof a->unit] = "", words[sizeof a->words] = "";
    hid_t space = H5Dget_space(set), type = H5Dget_type(set);
    *rank = space >= 0 ? H5Sget_simple_extent_ndims(space) : -1;
    size_t item = type >= 0 ? H5Tget_size(type) : 0;
    bool good = (*rank == 2 || *rank == 3) && H5Sget_simple_extent_dims(space, found, NULL) >= 0;
    if (space >= 0) H5Sclose(space);
    if (type >= 0) H5Tclose(type);
    if (!good || (class != H5T_FLOAT && class != H5T_INTEGER))
        return fail(rep, ST_INPUT,
                    "%s: expected numbers over rows and columns, with layers or "
                    "without",
                    a->name);
    for (int i = 0; i < *rank; i++)
        dims[i] = (size_t)found[i];
    a->layers = *rank == 3 ? dims[2] : 1;
    a->type = class == H5T_FLOAT ? ARRAY_FLOAT32 : item == 1 ? ARRAY_UINT8 : ARRAY_UINT64;
    h5get_attr_text(set, "units", unit, sizeof unit);
    h5get_attr_text(set, "long_name", words, sizeof words);
    snprintf(a->unit, sizeof a->unit, "%s", strcmp(unit, "1") ? unit : "");
    snprintf(a->words, sizeof a->words, "%s", words);
    return ST_OK;
}

static enum status read_set(struct map_array *a, const struct maps_view *v, hid_t file,
                            const char *path, struct report *rep)
{
    H5T_class_t class;
    size_t dims[3] = {0, 0, 0};
    int rank = 0;
    enum status st = h5get_class(file, path, &class, rep);
    if (st != ST_OK) return st;
    hid_t set = H5Dopen2(file, path, H5P_DEFAULT);
    st = look(set, a, class, dims, &rank, rep);
    if (set >= 0) H5Dclose(set);
    if (st != ST_OK) return st;
    if (dims[0] != v->ny || dims[1] != v->nx || a->layers == 0)
        return fail(rep, ST_INPUT,
                    "%s: its first two lengths are not the %zu rows and %zu columns "
                    "of the maps",
                    path, v->ny, v->nx);
    hid_t type = a->type == ARRAY_FLOAT32 ? H5T_NATIVE_FLOAT
                 : a->type == ARRAY_UINT8 ? H5T_NATIVE_UINT8
                                          : H5T_NATIVE_UINT64;
    return h5get_array(file, path, class, type, rank, dims, &a->data, NULL, rep);
}

static enum status not_there(const char *name, const char *path, struct report *rep)
{
    const char *names[MAP_COUNT + 2] = {"state", "flags"};
    for (int i = 0; i < MAP_COUNT; i++)
        names[i + 2] = map_rows[i].name;
    int near = *name == '/' ? -1 : words_nearest(name, names, MAP_COUNT + 2);
    if (near >= 0 && strcmp(name, names[near]) != 0)
        return fail(rep, ST_USAGE, "%s: has no map '%.64s'; did you mean %s?", path, name,
                    names[near]);
    return fail(rep, ST_USAGE,
                "%s: has no map '%.64s'; `cantle describe` lists the maps, and state and flags are "
                "there too",
                path, name);
}

/* Where a name lies in the file, and of which map it is (-1: of none that we know). */
static bool place_of(const char *name, char *path, size_t size, int *map, size_t *layer)
{
    char base[96], tail[16] = "";
    size_t n = strcspn(name, ":"), errors = strlen("_errors");
    *map = -1;
    *layer = 0;
    if (*name == '/') return snprintf(path, size, "%s", name) < (int)size;
    if (n >= sizeof base || strlen(name + n) >= sizeof tail) return false;
    snprintf(base, sizeof base, "%.*s", (int)n, name);
    snprintf(tail, sizeof tail, "%s", name + n);
    bool wants = n > errors && strcmp(base + n - errors, "_errors") == 0;
    if (wants) base[n - errors] = 0;
    for (int i = 0; i < MAP_COUNT; i++) {
        char label[64];
        if (!map_begins(i) || strcmp(base, map_rows[i].name) != 0 || (wants && !map_rows[i].errors))
            continue;
        *map = i;
        layout_path(i, wants, path);
        for (size_t k = 0; *tail && k < axis_rows[map_rows[i].axis].most; k++) {
            snprintf(label, sizeof label, ":%zu", k + 1);
            if (map_rows[i].axis && strcmp(tail, label) == 0) *layer = k + 1;
        }
        return !*tail || *layer > 0;
    }
    return snprintf(path, size, MAPS_GROUP "/%s", name) < (int)size;
}

/* Keep one layer (counted from 1) of several. */
static void keep_layer(struct map_array *a, size_t pixels, size_t layer)
{
    float *value = a->data;
    for (size_t p = 0; p < pixels; p++)
        value[p] = value[p * a->layers + layer - 1];
    a->at[0] = a->at[layer - 1];
    a->layers = 1;
}

static enum status name_layers(struct map_array *a, const struct maps_view *v, int map,
                               struct report *rep)
{
    const struct axis_row *axis = &axis_rows[map_rows[map].axis];
    double factor;
    if (!map_rows[map].axis || a->layers > axis->most) return ST_OK;
    enum status st = units_from_si(axis->si_unit, axis->unit, &factor, rep);
    a->axis = axis->name;
    a->axis_unit = strcmp(axis->unit, "1") ? axis->unit : "";
    for (size_t k = 0; k < a->layers; k++)
        a->at[k] = factor * v->extent.at[map_rows[map].axis][k];
    return st;
}

enum status map_array_load(struct map_array *out, const struct maps_view *v, const char *name,
                           struct report *rep)
{
    char path[256];
    int map;
    size_t layer;
    *out = (struct map_array){.layers = 1};
    if (strlen(name) >= sizeof out->name || !place_of(name, path, sizeof path, &map, &layer))
        return not_there(name, v->path, rep);
    snprintf(out->name, sizeof out->name, "%s", name);
    guard_file(v->path);
    hid_t file = h5put_open(v->path);
    enum status st = file < 0                ? fail(rep, ST_INPUT, "%s: cannot be opened", v->path)
                     : h5get_has(file, path) ? read_set(out, v, file, path, rep)
                                             : not_there(name, v->path, rep);
    if (file >= 0) H5Fclose(file);
    guard_file(NULL);
    if (st == ST_OK && map >= 0) st = name_layers(out, v, map, rep);
    if (st == ST_OK && layer > out->layers) st = not_there(name, v->path, rep);
    if (st == ST_OK && layer && out->type == ARRAY_FLOAT32) keep_layer(out, v->ny * v->nx, layer);
    if (st == ST_INPUT) return within(rep, st, "%s: ", v->path);
    return st;
}

void map_array_free(struct map_array *a)
{
    free(a->data);
    a->data = NULL;
}
