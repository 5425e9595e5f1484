/* cantle export: maps as files for other programs. */
#include "export/export.h"
#include "command/command.h"
#include "command/describe.h"
#include "command/map_names.h"
#include "maps/map_array.h"
#include "maps/masking.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { NAMES_MOST = 2 * MAP_COUNT + 2, KEY_MAP = 0x200, KEY_GRID };

struct options {
    const char *file, *output, *mask;
    const char *name[NAMES_MOST];
    size_t n_names;
    char label[MAP_COUNT][64]; /* what `all` stands for */
    bool too_many, grid, overwrite, json, quiet;
};

static const struct argp_option options[] = {
    {"output", 'o', "FILE", 0,
     "where to; the ending says the format: .tif, .csv, .npy or .vti; needed", 0},
    {"map", KEY_MAP, "NAME", 0,
     "a map, as MAP on its own; for datasets elsewhere in the file: a path that begins with /", 0},
    {"mask", 'm', "MASK", 0,
     "only these pixels (docs/masks.md); the others become NaN, whole numbers 0", 0},
    {"grid", KEY_GRID, NULL, 0, ".csv of one map: a table, x across and y down", 0},
    {"overwrite", 'f', NULL, 0, "replace FILE if it exists", 0},
    {"quiet", 'q', NULL, 0, "no progress", 0},
    {"json", 'j', NULL, 0, "tell what was written as one JSON object", 0},
    {0}};

static const char doc[] =
    "Write maps as TIFF, CSV, NumPy or VTK files.\v"
    "MAP is a name of a map (`cantle manual maps` lists them), NAME_errors for its standard "
    "errors, state, flags, or `all` for every map that has a value. Numbers and units are those of "
    "the map file; NaN stays NaN, and rejected pixels keep the value that they have there (leave "
    "them out with --mask 'not is rejected').\n\n"
    "TIFF holds 32-bit floats, one page a map, top row = largest y, resolution in pixels per cm, "
    "the unit in the description. Figures as .png, .svg and .pdf come from `cantle draw`.";

static void add_name(struct options *o, const char *name)
{
    if (o->n_names < NAMES_MOST)
        o->name[o->n_names++] = name;
    else
        o->too_many = true;
}

static error_t parse(int key, char *arg, struct argp_state *state)
{
    struct options *o = state->input;
    switch (key) {
    case 'o':
        o->output = arg;
        return 0;
    case 'm':
        o->mask = arg;
        return 0;
    case KEY_MAP:
        add_name(o, arg);
        return 0;
    case KEY_GRID:
        return o->grid = true, 0;
    case 'f':
        return o->overwrite = true, 0;
    case 'j':
        return o->json = true, 0;
    case 'q':
        return o->quiet = true, 0;
    case ARGP_KEY_ARG:
        if (o->file)
            add_name(o, arg);
        else
            o->file = arg;
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

/* `all` becomes the names of the maps that have a value, each layer of a map with several by
 * itself, so that all fit beside each other. */
static enum status choose(struct options *o, const struct maps_view *v, struct report *rep)
{
    bool all = false;
    for (size_t i = 0; i < o->n_names; i++)
        all = all || strcmp(o->name[i], "all") == 0;
    if (!all && o->n_names) return ST_OK;
    if (!all)
        return fail(rep, ST_USAGE, "which map? Write: cantle export MAPS.h5 modulus -o FILE.tif");
    o->n_names = 0;
    for (int map = 0; map < MAP_COUNT; map++) {
        if (!map_has_value(v, (enum map_id)map)) continue;
        map_label(map, o->label[map]);
        add_name(o, o->label[map]);
    }
    return o->n_names ? ST_OK : fail(rep, ST_INPUT, "%s: no map has any value", v->path);
}

/* What is not chosen becomes NaN, or 0. */
static void blank(struct map_array *a, const uint8_t *chosen, size_t pixels)
{
    for (size_t p = 0; p < pixels; p++)
        for (size_t l = 0; l < a->layers && !chosen[p]; l++) {
            size_t at = p * a->layers + l;
            if (a->type == ARRAY_FLOAT32) ((float *)a->data)[at] = NAN;
            if (a->type == ARRAY_UINT8) ((uint8_t *)a->data)[at] = 0;
            if (a->type == ARRAY_UINT64) ((uint64_t *)a->data)[at] = 0;
        }
}

static enum status load_arrays(const struct options *o, const struct maps_view *v,
                               struct map_array *array, struct export_array *out,
                               struct report *rep)
{
    size_t pixels = v->ny * v->nx;
    uint8_t *chosen = malloc(pixels);
    enum status st = chosen ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for a mask");
    if (st == ST_OK) st = maps_mask_spares(o->mask, o->output, rep);
    if (st == ST_OK && o->mask) st = maps_mask(v, o->mask, chosen, NULL, rep);
    for (size_t i = 0; i < o->n_names && st == ST_OK; i++) {
        struct map_array *a = &array[i];
        st = map_array_load(a, v, o->name[i], rep);
        if (st == ST_OK && o->mask) blank(a, chosen, pixels);
        out[i] = (struct export_array){
            .name = a->name,
            .unit = a->unit,
            .words = a->words,
            .type = a->type == ARRAY_FLOAT32 ? EXPORT_FLOAT32
                    : a->type == ARRAY_UINT8 ? EXPORT_UINT8
                                             : EXPORT_UINT64,
            .layers = a->layers,
            .data = a->data,
            .axis = a->axis,
            .axis_unit = a->axis_unit,
            .at = a->at,
        };
    }
    free(chosen);
    return st;
}

static double *in_um(const double *m, size_t n)
{
    double *um = malloc(n * sizeof *um);
    for (size_t i = 0; um && i < n; i++)
        um[i] = 1e6 * m[i];
    return um;
}

static enum status announce(const struct options *o, const struct maps_view *v,
                            const struct map_array *array, struct report *rep)
{
    char name[512];
    if (o->json) {
        json_t *list = json_array();
        for (size_t i = 0; i < o->n_names; i++)
            json_array_append_new(list,
                                  json_pack("{s:o, s:o, s:I}", "name", describe_text(array[i].name),
                                            "unit", describe_text(array[i].unit), "layers",
                                            (json_int_t)array[i].layers));
        return describe_print(json_pack("{s:s, s:o, s:I, s:I, s:o}", "kind", "export", "path",
                                        describe_text(o->output), "rows", (json_int_t)v->ny,
                                        "columns", (json_int_t)v->nx, "maps", list),
                              rep);
    }
    describe_name(o->output, name);
    printf("%s: %zu rows, %zu columns", name, v->ny, v->nx);
    for (size_t i = 0; i < o->n_names; i++) {
        char unit[48] = "", layers[32] = "";
        if (*array[i].unit) snprintf(unit, sizeof unit, " (%s)", array[i].unit);
        if (array[i].layers > 1) snprintf(layers, sizeof layers, " x %zu layers", array[i].layers);
        describe_name(array[i].name, name);
        printf(", %s%s%s", name, unit, layers);
    }
    printf("\n");
    return ST_OK;
}

static enum status write_arrays(const struct options *o, const struct maps_view *v,
                                enum export_format format, struct report *rep)
{
    struct map_array *array = calloc(o->n_names, sizeof *array);
    struct export_array *out = calloc(o->n_names, sizeof *out);
    double *y = in_um(v->y_m, v->ny), *x = in_um(v->x_m, v->nx);
    enum status st = array && out && y && x ? load_arrays(o, v, array, out, rep)
                                            : fail(rep, ST_MEMORY, "not enough memory to export");
    const struct export_maps m = {
        v->ny, v->nx, y, x, v->title, v->path, o->n_names, out, o->quiet ? NULL : stderr};
    if (st == ST_OK) st = export_write(&m, format, o->grid, o->output, v->path, o->overwrite, rep);
    if (st == ST_OK) st = announce(o, v, array, rep);
    for (size_t i = 0; array && i < o->n_names; i++)
        map_array_free(&array[i]);
    free(array);
    free(out);
    free(y);
    free(x);
    return st;
}

static enum status run(struct options *o, struct report *rep)
{
    struct maps_view view;
    enum export_format format;
    if (!o->file)
        return fail(rep, ST_USAGE, "which map file? Write: cantle export MAPS.h5 MAP -o FILE");
    if (!o->output) return fail(rep, ST_USAGE, "where to? Add: -o FILE.tif (or .csv, .npy, .vti)");
    if (o->too_many) return fail(rep, ST_USAGE, "too many maps at once; write: all");
    enum status st = export_format_of(o->output, &format, rep);
    if (st == ST_OK) st = maps_view_load(&view, o->file, rep);
    if (st != ST_OK) return st;
    st = choose(o, &view, rep);
    if (st == ST_OK) st = write_arrays(o, &view, format, rep);
    maps_view_free(&view);
    return st;
}

enum status command_export(int argc, char **argv, const struct world *world, struct report *rep)
{
    const struct argp argp = {options, parse, "MAPS.h5 MAP... -o FILE", doc, NULL, NULL, NULL};
    struct options o = {0};
    bool done = false;
    enum status st = options_parse(&argp, argc, argv, world, &o, &done, rep);
    if (st != ST_OK || done || world->rank != 0) return st;
    return run(&o, rep);
}
