#include "maps/layout.h"

#include "base/units.h"
#include "build_facts.h"
#include "maps/text_time.h"
#include "recipe/recipe.h"

#include <hdf5_hl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

void layout_name(int map, bool errors, char out[64])
{
    snprintf(out, 64, "%s%s", map_rows[map].name, errors ? "_errors" : "");
}

void layout_path(int map, bool errors, char out[96])
{
    char name[64];
    const struct map_row *row = &map_rows[map];
    layout_name(map, errors, name);
    snprintf(out, 96, MAPS_GROUP "%s%s/%s", row->axis ? "_by_" : "",
             row->axis ? axis_rows[row->axis].name : "", name);
}

bool layout_begins(const struct maps_layout *l, int map)
{
    return map_begins(map) && map_is_made(&l->extent, map);
}

size_t layout_layers(const struct maps_layout *l, int map)
{
    return l->extent.length[map_rows[map].axis];
}

size_t layout_deepest(const struct maps_layout *l)
{
    size_t most = 1;
    for (int axis = 0; axis < AXIS_COUNT; axis++)
        if (l->extent.length[axis] > most) most = l->extent.length[axis];
    return most;
}

size_t layout_band_rows(const struct maps_layout *l, size_t layers)
{
    const size_t rows = 65536 / (l->nx * layers);
    return rows == 0 ? 1 : rows < l->ny ? rows : l->ny;
}

/* Coordinates in um, turned round if they descend. NULL without memory. */
static double *ascending_um(const double *position_m, size_t n, bool *reversed)
{
    double *out = malloc(n * sizeof *out);
    if (!out) return NULL;
    *reversed = n > 1 && position_m[n - 1] < position_m[0];
    for (size_t i = 0; i < n; i++)
        out[i] = position_m[*reversed ? n - 1 - i : i] * 1e6;
    return out;
}

static bool is_modulus(const struct map_row *row)
{
    return strcmp(row->si_unit, "Pa") == 0 && strstr(row->name, "modulus");
}

static enum status choose_units(struct maps_layout *l, const struct recipe *recipe,
                                struct report *rep)
{
    const char *modulus_unit = recipe->v[KEY_output_modulus_unit].text;
    for (int i = 0; i < MAP_COUNT; i++) {
        const char *unit = is_modulus(&map_rows[i]) ? modulus_unit : map_rows[i].unit;
        if (strlen(unit) >= sizeof l->unit[i])
            return fail(rep, ST_RECIPE,
                        "output: modulus_unit: '%s' is too long; use kPa, MPa or the like", unit);
        memcpy(l->unit[i], unit, strlen(unit) + 1);
        if (units_from_si(map_rows[i].si_unit, unit, &l->factor[i], rep) != ST_OK)
            return within(rep, ST_RECIPE, "unit of map %s: ", map_rows[i].name);
    }
    return ST_OK;
}

enum status layout_make(struct maps_layout *out, const struct maps_origin *origin,
                        struct report *rep)
{
    const struct volume_facts *v = origin->volume;
    const char *slash = strrchr(v->path, '/');
    *out = (struct maps_layout){.ny = v->ny, .nx = v->nx, .extent = origin->plan->extent};
    enum status st = choose_units(out, origin->recipe, rep);
    if (st != ST_OK) return st;
    out->deflate = (int)origin->recipe->v[KEY_output_compression].si;
    snprintf(out->title, sizeof out->title, "%s",
             *v->title ? v->title
             : slash   ? slash + 1
                       : v->path);
    text_time_now(out->start_time);
    out->y_um = ascending_um(v->y_m, v->ny, &out->rows_reversed);
    out->x_um = ascending_um(v->x_m, v->nx, &out->columns_reversed);
    if (!out->y_um || !out->x_um) {
        layout_free(out);
        return fail(rep, ST_MEMORY, "not enough memory for the map file's coordinates");
    }
    return ST_OK;
}

void layout_free(struct maps_layout *l)
{
    free(l->x_um);
    free(l->y_um);
    l->x_um = l->y_um = NULL;
}

/* How [ny,nx] or [ny,nx,layers] is stored. */
static hid_t plane_storage(struct h5put *p, const struct maps_layout *l, int rank, size_t layers,
                           bool finished, hid_t type, const void *fill)
{
    if (p->st != ST_OK) return H5I_INVALID_HID;
    hid_t dcpl = H5Pcreate(H5P_DATASET_CREATE);
    herr_t rc = dcpl < 0 ? -1 : H5Pset_fill_value(dcpl, type, fill);
    if (rc >= 0 && finished && l->deflate > 0) {
        hsize_t chunk[3] = {layout_band_rows(l, layers), l->nx, layers};
        rc = H5Pset_chunk(dcpl, rank, chunk) < 0 || H5Pset_shuffle(dcpl) < 0 ||
                     H5Pset_deflate(dcpl, (unsigned)l->deflate) < 0
                 ? -1
                 : 0;
    } else if (rc >= 0) {
        rc = H5Pset_alloc_time(dcpl, H5D_ALLOC_TIME_EARLY) < 0 ||
                     H5Pset_fill_time(dcpl, H5D_FILL_TIME_ALLOC) < 0
                 ? -1
                 : 0;
    }
    if (rc < 0) h5put_fail(p, "the storage of a map");
    return dcpl;
}

struct axes {
    enum map_axis further; /* AXIS_none: planes */
    hid_t y, x, more;      /* dimension scales */
};

/* Create one dataset with its scales attached; handed back open. */
static hid_t put_plane(struct h5put *p, hid_t group, const struct maps_layout *l, bool finished,
                       const struct axes *axes, const char *name, hid_t type, const void *fill)
{
    const size_t layers = l->extent.length[axes->further];
    const int rank = axes->further ? 3 : 2;
    hsize_t dims[3] = {l->ny, l->nx, layers};
    hid_t dcpl = plane_storage(p, l, rank, layers, finished, type, fill);
    hid_t set = h5put_array(p, group, name, type, rank, dims, dcpl, NULL);
    if (p->st == ST_OK &&
        (H5DSattach_scale(set, axes->y, 0) < 0 || H5DSattach_scale(set, axes->x, 1) < 0 ||
         (rank == 3 && H5DSattach_scale(set, axes->more, 2) < 0)))
        h5put_fail(p, name);
    h5put_close(p, &dcpl);
    return set;
}

static void put_map(struct h5put *p, hid_t group, const struct maps_layout *l, bool finished,
                    const struct axes *axes, int map, bool errors)
{
    const struct map_row *row = &map_rows[map];
    const float nan_value = NAN;
    char name[64], text[160];
    layout_name(map, errors, name);
    hid_t set = put_plane(p, group, l, finished, axes, name, H5T_NATIVE_FLOAT, &nan_value);
    snprintf(text, sizeof text, "%s%s (%s)", errors ? "standard error of " : "", row->words,
             l->unit[map]);
    h5put_attr_text(p, set, "units", l->unit[map]);
    h5put_attr_text(p, set, "long_name", text);
    h5put_attr_numbers(p, set, "_FillValue", H5T_NATIVE_FLOAT, &nan_value, 0);
    if (errors) {
        h5put_attr_text(p, set, "comment", "one standard deviation");
    } else {
        /* state and flags are planes of the other group: a reader looks for names in its own */
        const char *words = row->axis ? "" : "state flags";
        snprintf(text, sizeof text, "%s%s%s%s", row->errors ? row->name : "",
                 row->errors ? "_errors" : "", row->errors && *words ? " " : "", words);
        h5put_attr_text(p, set, "ancillary_variables", text);
        h5put_attr_text(p, set, "comment", row->definition);
    }
    /* H5Web's heat map of a single row has no height: say that a line is meant */
    if (map == 0 && !errors && (l->ny == 1 || l->nx == 1))
        h5put_attr_text(p, set, "interpretation", "spectrum");
    h5put_close(p, &set);
}

static void put_state(struct h5put *p, hid_t group, const struct maps_layout *l, bool finished,
                      const struct axes *axes)
{
    const uint8_t pending = STATE_pending;
    const uint8_t range[2] = {0, STATE_COUNT - 1};
    uint8_t values[STATE_COUNT];
    char meanings[256] = "";
    for (int i = 0; i < STATE_COUNT; i++) {
        values[i] = (uint8_t)i;
        size_t used = strlen(meanings);
        snprintf(meanings + used, sizeof meanings - used, "%s%s", i ? " " : "", state_rows[i].name);
    }
    hid_t set = put_plane(p, group, l, finished, axes, "state", H5T_NATIVE_UINT8, &pending);
    h5put_attr_text(p, set, "long_name", "state of the pixel");
    h5put_attr_numbers(p, set, "flag_values", H5T_NATIVE_UINT8, values, STATE_COUNT);
    h5put_attr_text(p, set, "flag_meanings", meanings);
    h5put_attr_numbers(p, set, "valid_range", H5T_NATIVE_UINT8, range, 2);
    h5put_close(p, &set);
}

static void put_flags(struct h5put *p, hid_t group, const struct maps_layout *l, bool finished,
                      const struct axes *axes)
{
    static const char *const severities[] = {"note", "doubt", "reject"};
    const uint64_t none = 0;
    uint64_t masks[FLAG_COUNT];
    char meanings[64 * 40] = "", severity[64 * 8] = "";
    for (int i = 0; i < FLAG_COUNT; i++) {
        masks[i] = UINT64_C(1) << i;
        size_t used = strlen(meanings), used_too = strlen(severity);
        snprintf(meanings + used, sizeof meanings - used, "%s%s", i ? " " : "", flag_rows[i].name);
        snprintf(severity + used_too, sizeof severity - used_too, "%s%s", i ? " " : "",
                 severities[flag_rows[i].severity]);
    }
    hid_t set = put_plane(p, group, l, finished, axes, "flags", H5T_NATIVE_UINT64, &none);
    h5put_attr_text(p, set, "long_name", "flags of the pixel, one bit each");
    h5put_attr_numbers(p, set, "flag_masks", H5T_NATIVE_UINT64, masks, FLAG_COUNT);
    h5put_attr_text(p, set, "flag_meanings", meanings);
    h5put_attr_text(p, set, "flag_severities", severity);
    h5put_close(p, &set);
}

/* y and x are places on the sample; a further axis is what its table says. */
static hid_t put_axis(struct h5put *p, hid_t group, const char *name, const char *unit,
                      const char *words, const double *at, size_t n)
{
    char text[128];
    hsize_t dims[1] = {n};
    if (p->st != ST_OK) return H5I_INVALID_HID;
    hid_t dcpl = H5Pcreate(H5P_DATASET_CREATE);
    if (dcpl < 0) h5put_fail(p, name);
    hid_t set = h5put_array(p, group, name, H5T_NATIVE_DOUBLE, 1, dims, dcpl, at);
    if (p->st == ST_OK && H5DSset_scale(set, name) < 0) h5put_fail(p, name);
    h5put_attr_text(p, set, "units", unit);
    snprintf(text, sizeof text, "%s (%s)", words ? words : name, unit);
    h5put_attr_text(p, set, "long_name", text);
    snprintf(text, sizeof text, "projection_%s_coordinate", name);
    if (!words) h5put_attr_text(p, set, "standard_name", text);
    h5put_close(p, &dcpl);
    return set;
}

/* What a viewer draws at once, and what it offers beside: maps first, then their errors. */
static void put_signals(struct h5put *p, hid_t group, const struct maps_layout *l,
                        enum map_axis further)
{
    const char *const axes[] = {"y", "x", axis_rows[further].name};
    static char names[2 * MAP_COUNT][64];
    const char *all[2 * MAP_COUNT + 2];
    char text[64];
    size_t n = 0;
    for (int errors = 0; errors <= 1; errors++)
        for (int i = 0; i < MAP_COUNT; i++) {
            if (map_rows[i].axis != further || !layout_begins(l, i)) continue;
            if (errors && !map_rows[i].errors) continue;
            layout_name(i, errors, names[n]);
            all[n] = names[n];
            n++;
        }
    if (further == AXIS_none) all[n++] = "state", all[n++] = "flags";
    h5put_attr_text(p, group, "signal", all[0]);
    h5put_attr_texts(p, group, "axes", axes, further ? 3 : 2);
    for (int32_t i = 0; i < (further ? 3 : 2); i++) {
        snprintf(text, sizeof text, "%s_indices", axes[i]);
        h5put_attr_numbers(p, group, text, H5T_NATIVE_INT32, &i, 0);
    }
    if (n == 2) /* single values are scalar */
        h5put_attr_text(p, group, "auxiliary_signals", all[1]);
    else if (n > 2)
        h5put_attr_texts(p, group, "auxiliary_signals", all + 1, n - 1);
}

hid_t layout_put_axis(struct h5put *p, hid_t group, const struct maps_layout *l, enum map_axis axis)
{
    const struct axis_row *row = &axis_rows[axis];
    double at[AXIS_LONGEST], factor;
    if (axis == AXIS_none || p->st != ST_OK) return H5I_INVALID_HID;
    if ((p->st = units_from_si(row->si_unit, row->unit, &factor, p->rep)) != ST_OK)
        return H5I_INVALID_HID;
    for (size_t i = 0; i < l->extent.length[axis]; i++)
        at[i] = factor * l->extent.at[axis][i];
    return put_axis(p, group, row->name, row->unit, row->words, at, l->extent.length[axis]);
}

/* All maps that have this axis beside y and x: a group of their own, since the signals of a group
 * have one shape. */
static void put_group(struct h5put *p, hid_t entry, const struct maps_layout *l, bool finished,
                      enum map_axis further)
{
    char name[64];
    bool any = further == AXIS_none;
    for (int i = 0; i < MAP_COUNT; i++)
        any = any || (map_rows[i].axis == further && layout_begins(l, i));
    if (!any) return;
    snprintf(name, sizeof name, "maps%s%s", further ? "_by_" : "",
             further ? axis_rows[further].name : "");
    hid_t group = h5put_group(p, entry, name, "NXdata");
    put_signals(p, group, l, further);
    struct axes axes = {further, H5I_INVALID_HID, H5I_INVALID_HID, H5I_INVALID_HID};
    axes.y = put_axis(p, group, "y", "um", NULL, l->y_um, l->ny);
    axes.x = put_axis(p, group, "x", "um", NULL, l->x_um, l->nx);
    axes.more = layout_put_axis(p, group, l, further);
    for (int i = 0; i < MAP_COUNT; i++) {
        if (map_rows[i].axis != further || !layout_begins(l, i)) continue;
        put_map(p, group, l, finished, &axes, i, false);
        if (map_rows[i].errors) put_map(p, group, l, finished, &axes, i, true);
    }
    if (further == AXIS_none) {
        put_state(p, group, l, finished, &axes);
        put_flags(p, group, l, finished, &axes);
    }
    h5put_close(p, &axes.more);
    h5put_close(p, &axes.x);
    h5put_close(p, &axes.y);
    h5put_close(p, &group);
}

void layout_put(struct h5put *p, hid_t file, const struct maps_layout *l, bool finished)
{
    hid_t root = p->st == ST_OK ? H5Gopen2(file, "/", H5P_DEFAULT) : H5I_INVALID_HID;
    if (root < 0) h5put_fail(p, "the root group");
    h5put_attr_text(p, root, "NX_class", "NXroot");
    h5put_attr_text(p, root, "default", "entry");
    h5put_attr_text(p, root, "Conventions", "CF-1.8");
    h5put_attr_text(p, root, "layout", MAPS_LAYOUT);
    h5put_attr_text(p, root, "creator", "cantle");
    h5put_attr_text(p, root, "creator_version", CANTLE_VERSION);
    h5put_attr_text(p, root, "file_time", l->start_time);
    hid_t entry = h5put_group(p, root, "entry", "NXentry");
    h5put_attr_text(p, entry, "default", "maps");
    h5put_text(p, entry, "title", l->title);
    h5put_text(p, entry, "start_time", l->start_time);
    for (int axis = 0; axis < AXIS_COUNT; axis++)
        put_group(p, entry, l, finished, (enum map_axis)axis);
    h5put_close(p, &entry);
    h5put_close(p, &root);
}
