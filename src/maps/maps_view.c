#include "maps/maps.h"

#include "base/files.h"
#include "base/guard.h"
#include "base/units.h"
#include "base/words.h"
#include "maps/budget_file.h"
#include "maps/h5get.h"
#include "maps/identity.h"
#include "maps/layout.h"
#include "maps/parent.h"
#include "maps/places.h"
#include "maps/statistics.h"
#include "maps/tip_watch.h"
#include "volume/storage.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* More pixels than any scan has: a damaged file must not ask for all memory. */
#define MOST_PIXELS ((size_t)1 << 30)

bool maps_is_one(const char *path)
{
    char layout[32] = "";
    struct report unused;
    h5put_quiet();
    if (file_check(path, "", NULL, &unused) != ST_OK || H5Fis_hdf5(path) <= 0) return false;
    guard_file(path);
    hid_t file = h5put_open(path);
    if (file < 0) return false;
    hid_t root = H5Gopen2(file, "/", H5P_DEFAULT);
    bool is = root >= 0 && h5get_attr_text(root, "layout", layout, sizeof layout) &&
              strcmp(layout, MAPS_LAYOUT) == 0;
    if (root >= 0) H5Gclose(root);
    H5Fclose(file);
    guard_file(NULL);
    return is;
}

/* Positions in metres, strictly ascending. */
static enum status load_axis(hid_t file, const char *path, size_t n, double **out,
                             struct report *rep)
{
    char unit[16];
    void *values = NULL;
    struct unit_scale scale;
    enum status st = h5get_array(file, path, H5T_FLOAT, H5T_NATIVE_DOUBLE, 1, &n, &values, unit,
                                 rep);
    *out = values;
    if (st != ST_OK) return st;
    if (units_scale(unit, "m", &scale, rep) != ST_OK) return within(rep, ST_INPUT, "%s: ", path);
    for (size_t i = 0; i < n; i++) {
        (*out)[i] *= scale.factor;
        if (!isfinite((*out)[i]) || (i > 0 && !((*out)[i] > (*out)[i - 1])))
            return fail(rep, ST_INPUT, "%s: positions must ascend", path);
    }
    return ST_OK;
}

static enum status load_axes(struct maps_view *v, hid_t file, struct report *rep)
{
    enum status st = h5get_length(file, MAPS_GROUP "/y", &v->ny, rep);
    if (st == ST_OK) st = h5get_length(file, MAPS_GROUP "/x", &v->nx, rep);
    if (st == ST_OK && (v->ny > MOST_PIXELS || v->nx > MOST_PIXELS / v->ny))
        st = fail(rep, ST_INPUT, MAPS_GROUP ": %zu x %zu pixels are more than this program takes",
                  v->nx, v->ny);
    if (st == ST_OK) st = load_axis(file, MAPS_GROUP "/y", v->ny, &v->y_m, rep);
    if (st == ST_OK) st = load_axis(file, MAPS_GROUP "/x", v->nx, &v->x_m, rep);
    return st;
}

/* A further axis is there when its group is: coordinates in SI, ascending. */
static enum status load_further_axis(struct maps_view *v, hid_t file, enum map_axis axis,
                                     struct report *rep)
{
    char path[96], unit[16];
    size_t *n = &v->extent.length[axis];
    void *at = NULL;
    struct unit_scale scale;
    const struct axis_row *row = &axis_rows[axis];
    snprintf(path, sizeof path, MAPS_GROUP "_by_%s/%s", row->name, row->name);
    enum status st = h5get_stays(file, path, rep);
    if (st != ST_OK || !h5get_has(file, path)) return st;
    if ((st = h5get_length(file, path, n, rep)) != ST_OK) return st;
    if (*n < 1 || *n > row->most)
        return fail(rep, ST_INPUT, "%s: its length must be from 1 to %zu", path, row->most);
    st = h5get_array(file, path, H5T_FLOAT, H5T_NATIVE_DOUBLE, 1, n, &at, unit, rep);
    if (st == ST_OK && units_scale(unit, row->si_unit, &scale, rep) != ST_OK)
        st = within(rep, ST_INPUT, "%s: ", path);
    for (size_t i = 0; st == ST_OK && i < *n; i++) {
        v->extent.at[axis][i] = scale.factor * ((double *)at)[i];
        if (!isfinite(v->extent.at[axis][i]))
            st = fail(rep, ST_INPUT, "%s: a coordinate is no number", path);
    }
    free(at);
    return st;
}

/* The layers of a dataset, apart from each other. */
static enum status split_layers(struct maps_view *v, int map, bool errors, float *values,
                                struct report *rep)
{
    const size_t layers = v->extent.length[map_rows[map].axis], n = v->ny * v->nx;
    float **to = errors ? v->error + map : v->map + map;
    if (map_rows[map].axis == AXIS_none) {
        to[0] = values;
        return ST_OK;
    }
    enum status st = ST_OK;
    for (size_t k = 0; k < layers && st == ST_OK; k++) {
        to[k] = malloc(n * sizeof *values);
        if (!to[k]) st = fail(rep, ST_MEMORY, "not enough memory for maps of %zu pixels", n);
        for (size_t i = 0; to[k] && i < n; i++)
            to[k][i] = values[i * layers + k];
    }
    free(values);
    return st;
}

/* All layers of a map; absent is fine. Values and errors share the unit of the values. */
static enum status load_map(struct maps_view *v, hid_t file, int map, bool errors,
                            struct report *rep)
{
    char path[96], unit[16];
    double factor;
    void *values = NULL;
    const size_t layers = v->extent.length[map_rows[map].axis], dims[3] = {v->ny, v->nx, layers};
    layout_path(map, errors, path);
    enum status st = h5get_stays(file, path, rep);
    if (st != ST_OK || !layers || !h5get_has(file, path)) return st;
    st = h5get_array(file, path, H5T_FLOAT, H5T_NATIVE_FLOAT, map_rows[map].axis ? 3 : 2, dims,
                     &values, unit, rep);
    if (st != ST_OK) return st;
    st = split_layers(v, map, errors, values, rep);
    if (st != ST_OK) return st;
    if (units_from_si(map_rows[map].si_unit, unit, &factor, rep) != ST_OK)
        return within(rep, ST_INPUT, "%s: ", path);
    if (errors && v->map[map] && strcmp(unit, v->unit[map]) != 0)
        return fail(rep, ST_INPUT, "%s: its unit '%s' is not that of the map, '%s'", path, unit,
                    v->unit[map]);
    for (size_t k = 0; k < layers; k++)
        snprintf(v->unit[(size_t)map + k], sizeof v->unit[map], "%s", unit);
    return ST_OK;
}

static enum status load_planes(struct maps_view *v, hid_t file, struct report *rep)
{
    const size_t dims[2] = {v->ny, v->nx};
    enum status st = ST_OK;
    void *state = NULL, *flags = NULL;
    map_extent_clear(&v->extent);
    for (int axis = AXIS_none + 1; axis < AXIS_COUNT && st == ST_OK; axis++)
        st = load_further_axis(v, file, (enum map_axis)axis, rep);
    for (int i = 0; i < MAP_COUNT && st == ST_OK; i++) {
        if (!map_begins(i)) continue;
        st = load_map(v, file, i, false, rep);
        if (st == ST_OK && map_rows[i].errors) st = load_map(v, file, i, true, rep);
    }
    if (st == ST_OK)
        st = h5get_array(file, MAPS_GROUP "/state", H5T_INTEGER, H5T_NATIVE_UINT8, 2, dims, &state,
                         NULL, rep);
    if (st == ST_OK)
        st = h5get_array(file, MAPS_GROUP "/flags", H5T_INTEGER, H5T_NATIVE_UINT64, 2, dims, &flags,
                         NULL, rep);
    v->state = state;
    v->flags = flags;
    if (st == ST_OK && h5get_has(file, RUN_OF_PIXEL_PATH)) {
        void *runs = NULL;
        st = h5get_array(file, RUN_OF_PIXEL_PATH, H5T_INTEGER, H5T_NATIVE_UINT16, 2, dims, &runs,
                         NULL, rep);
        v->run_of_pixel = runs;
    }
    for (size_t i = 0; st == ST_OK && i < v->ny * v->nx; i++)
        if (v->state[i] >= STATE_COUNT)
            st = fail(rep, ST_INPUT, MAPS_GROUP "/state: %d is not a state", v->state[i]);
    return st;
}

/* The same numbers as at the end of the run, and for a .part of what is there. */
static enum status summarise(struct maps_view *v, struct report *rep)
{
    const size_t n = v->ny * v->nx;
    float *copy = malloc(n * sizeof *copy);
    enum status st = ST_OK;
    if (!copy) return fail(rep, ST_MEMORY, "not enough memory for the statistics of %zu pixels", n);
    statistics_count(v->state, v->flags, n, &v->summary);
    for (int i = 0; i < MAP_COUNT && st == ST_OK; i++) {
        double quantile[QUANTILE_COUNT] = {NAN, NAN, NAN, NAN, NAN}, factor = 1;
        size_t kept = 0;
        if (v->map[i]) {
            memcpy(copy, v->map[i], n * sizeof *copy);
            kept = statistics_of_map(copy, v->state, n, quantile);
            st = units_from_si(map_rows[i].si_unit, v->unit[i], &factor, rep);
        }
        statistics_to_summary(&v->summary, i, kept, quantile, factor);
    }
    free(copy);
    return st;
}

/* A scalar of /entry/run as JSON; NULL for what is none. */
static json_t *scalar_json(hid_t run, const char *name)
{
    json_t *out = NULL;
    int64_t whole;
    double real;
    char *text = h5get_text(run, name);
    if (text) {
        words_printable(text, ' ');
        out = json_string(text);
        free(text);
        return out;
    }
    struct report unused;
    hid_t set = H5Dopen2(run, name, H5P_DEFAULT);
    if (set < 0) return NULL;
    if (storage_check_whole(set, &unused) != ST_OK) {
        H5Dclose(set);
        return NULL;
    }
    hid_t type = H5Dget_type(set), space = H5Dget_space(set);
    if (H5Sget_simple_extent_npoints(space) == 1 && H5Tget_class(type) == H5T_INTEGER) {
        if (H5Dread(set, H5T_NATIVE_INT64, H5S_ALL, H5S_ALL, H5P_DEFAULT, &whole) >= 0)
            out = json_integer(whole);
    } else if (H5Sget_simple_extent_npoints(space) == 1 && H5Tget_class(type) == H5T_FLOAT) {
        if (H5Dread(set, H5T_NATIVE_DOUBLE, H5S_ALL, H5S_ALL, H5P_DEFAULT, &real) >= 0)
            out = json_real(real);
    }
    H5Tclose(type);
    H5Sclose(space);
    H5Dclose(set);
    return out;
}

static herr_t add_scalar(hid_t run, const char *name, const H5L_info_t *info, void *data)
{
    if (info->type != H5L_TYPE_HARD) return 0;
    json_t *value = scalar_json(run, name);
    if (value) json_object_set_new(data, name, value);
    return 0;
}

static char *run_json(hid_t file)
{
    json_t *all = json_object();
    char *text = NULL;
    hid_t run = h5get_has(file, "/entry/run") ? H5Gopen2(file, "/entry/run", H5P_DEFAULT)
                                              : H5I_INVALID_HID;
    if (run >= 0) {
        /* files of others may not keep the order of creation */
        if (H5Literate(run, H5_INDEX_CRT_ORDER, H5_ITER_INC, NULL, add_scalar, all) < 0)
            H5Literate(run, H5_INDEX_NAME, H5_ITER_INC, NULL, add_scalar, all);
        H5Gclose(run);
    }
    if (all) text = json_dumps(all, JSON_INDENT(2) | JSON_REAL_PRECISION(17));
    json_decref(all);
    return text;
}

static void copy_text(hid_t file, const char *path, char *out, size_t size)
{
    char *text = h5get_text(file, path);
    snprintf(out, size, "%s", text ? text : "");
    free(text);
}

/* A whole number in a group; 0 if there is none, or none that fits. */
static int count_of(hid_t file, const char *group, const char *name)
{
    hid_t at = h5get_has(file, group) ? H5Gopen2(file, group, H5P_DEFAULT) : H5I_INVALID_HID;
    if (at < 0) return 0;
    json_t *value = h5get_has(at, name) ? scalar_json(at, name) : NULL;
    json_int_t n = json_is_integer(value) ? json_integer_value(value) : 0;
    json_decref(value);
    H5Gclose(at);
    return n > 0 && n < 1000000 ? (int)n : 0;
}

static bool is_set(hid_t file, const char *name)
{
    return count_of(file, "/entry/run", name) != 0;
}

static enum status load_words(struct maps_view *v, hid_t file, struct report *rep)
{
    copy_text(file, "/entry/title", v->title, sizeof v->title);
    words_printable(v->title, '?');
    copy_text(file, "/entry/run/input_path", v->source_path, sizeof v->source_path);
    copy_text(file, "/entry/run/input_digest", v->summary.digest, sizeof v->summary.digest);
    words_printable(v->summary.digest, '?');
    v->y_flipped = is_set(file, "rows_reversed");
    v->x_flipped = is_set(file, "columns_reversed");
    v->recipe_text = h5get_text(file, "/entry/process_2_contact_fit/recipe/data");
    v->lever_text = h5get_text(file, "/entry/process_1_calibration/lever_file/data");
    if (!v->recipe_text) v->recipe_text = strdup("");
    v->mapping_text = h5get_text(file, "/entry/run/import_description/data");
    if (!v->mapping_text) v->mapping_text = strdup("");
    v->provenance_json = run_json(file);
    v->identity = h5get_text(file, IDENTITY_PATH);
    if (!v->identity) v->identity = strdup("");
    v->refit_json = h5get_text(file, REFIT_PATH);
    if (!v->refit_json) v->refit_json = strdup("");
    copy_text(file, FIT_GROUP "/model", v->model, sizeof v->model);
    copy_text(file, FIT_GROUP "/segment", v->segment, sizeof v->segment);
    copy_text(file, FIT_GROUP "/fit_space", v->space, sizeof v->space);
    words_printable(v->model, '?');
    words_printable(v->segment, '?');
    words_printable(v->space, '?');
    v->unknowns = count_of(file, FIT_GROUP, "fitted_unknowns");
    return v->recipe_text && v->mapping_text && v->provenance_json && v->identity && v->refit_json
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory for its texts");
}

enum status maps_view_load(struct maps_view *out, const char *path, struct report *rep)
{
    *out = (struct maps_view){0};
    snprintf(out->path, sizeof out->path, "%s", path);
    h5put_quiet();
    if (!maps_is_one(path))
        return fail(rep, ST_INPUT,
                    "%s: this is not a map file (none there, or not HDF5 with attribute "
                    "layout = " MAPS_LAYOUT ")",
                    path);
    guard_file(path);
    hid_t file = h5put_open(path);
    if (file < 0) return fail(rep, ST_INPUT, "%s: cannot be opened", path);
    enum status st = load_axes(out, file, rep);
    if (st == ST_OK) st = load_planes(out, file, rep);
    if (st == ST_OK) st = load_words(out, file, rep);
    if (st == ST_OK) st = budget_get(&out->budget, &out->has_budget, file, rep);
    if (st == ST_OK) st = summarise(out, rep);
    if (st == ST_OK) st = tip_watch_get(&out->summary.tip, file, rep);
    H5Fclose(file);
    guard_file(NULL);
    if (st == ST_OK) return ST_OK;
    maps_view_free(out);
    return within(rep, st, "%s: ", path);
}

bool maps_view_copied(const struct maps_view *v, size_t pixel)
{
    return *v->refit_json && v->run_of_pixel && v->run_of_pixel[pixel] == 0;
}

void maps_view_free(struct maps_view *v)
{
    for (int i = 0; i < MAP_COUNT; i++) {
        free(v->map[i]);
        free(v->error[i]);
    }
    free(v->x_m);
    free(v->y_m);
    free(v->state);
    free(v->flags);
    free(v->recipe_text);
    free(v->lever_text);
    free(v->mapping_text);
    free(v->provenance_json);
    free(v->run_of_pixel);
    free(v->identity);
    free(v->refit_json);
    *v = (struct maps_view){0};
}
