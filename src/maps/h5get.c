#include "maps/h5get.h"

#include "base/words.h"
#include "volume/storage.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* More than any text of a map file: a recipe has at most 1 MiB. */
static const size_t longest_text = (size_t)16 << 20;

bool h5get_has(hid_t at, const char *path)
{
    char part[256];
    bool left_file = false, there = strlen(path) < sizeof part;
    hid_t access = storage_access(&left_file);
    for (size_t i = 1; there && i <= strlen(path); i++) {
        if (path[i] != '/' && path[i] != 0) continue;
        memcpy(part, path, i);
        part[i] = 0;
        there = access >= 0 && H5Lexists(at, part, access) > 0;
    }
    there = there && H5Oexists_by_name(at, path, access) > 0;
    if (access >= 0) H5Pclose(access);
    return there;
}

enum status h5get_stays(hid_t at, const char *path, struct report *rep)
{
    bool left_file = false;
    hid_t access = storage_access(&left_file);
    hid_t object = access < 0 ? H5I_INVALID_HID : H5Oopen(at, path, access);
    if (object >= 0) H5Oclose(object);
    if (access >= 0) H5Pclose(access);
    return left_file
               ? fail(rep, ST_INPUT,
                      "%s: is an external link; a map file is one file: copy the data into it",
                      path)
               : ST_OK;
}

/* A dataset that is there, in this file, and no larger than it; below 0 with the cause. */
static hid_t open_set(hid_t at, const char *path, struct report *rep)
{
    enum status st = h5get_stays(at, path, rep);
    hid_t set = st == ST_OK && h5get_has(at, path) ? H5Dopen2(at, path, H5P_DEFAULT)
                                                   : H5I_INVALID_HID;
    if (st == ST_OK && set < 0) st = fail(rep, ST_INPUT, "%s: there is no such dataset", path);
    if (st == ST_OK && storage_check_whole(set, rep) != ST_OK) {
        st = within(rep, ST_INPUT, "%s: ", path);
        H5Dclose(set);
    }
    return st == ST_OK ? set : H5I_INVALID_HID;
}

/* The same where it does not matter why. */
static hid_t open_if_good(hid_t at, const char *path)
{
    struct report unused;
    return open_set(at, path, &unused);
}

/* Read one text of a dataset or attribute through `read`; NULL if it is not one text. */
static char *read_text(hid_t object, hid_t type, hid_t space, bool is_attr)
{
    char *text = NULL, *held = NULL;
    if (type < 0 || space < 0 || H5Tget_class(type) != H5T_STRING ||
        H5Sget_simple_extent_npoints(space) != 1)
        return NULL;
    hid_t memory = H5Tcopy(type);
    if (H5Tis_variable_str(type) > 0) {
        herr_t rc = is_attr ? H5Aread(object, memory, &held)
                            : H5Dread(object, memory, H5S_ALL, H5S_ALL, H5P_DEFAULT, &held);
        if (rc >= 0 && held) text = strdup(held);
        if (rc >= 0) H5Dvlen_reclaim(memory, space, H5P_DEFAULT, &held);
    } else {
        size_t size = H5Tget_size(type);
        text = size <= longest_text ? calloc(1, size + 1) : NULL;
        herr_t rc = !text     ? -1
                    : is_attr ? H5Aread(object, memory, text)
                              : H5Dread(object, memory, H5S_ALL, H5S_ALL, H5P_DEFAULT, text);
        if (rc < 0) {
            free(text);
            text = NULL;
        }
    }
    H5Tclose(memory);
    return text;
}

/* Cut first: a cut may leave a part of a character. */
static void copy_printable(const char *text, char *out, size_t size)
{
    snprintf(out, size, "%s", text);
    words_printable(out, '?');
}

static void close_type_and_space(hid_t type, hid_t space)
{
    if (type >= 0) H5Tclose(type);
    if (space >= 0) H5Sclose(space);
}

char *h5get_text(hid_t at, const char *path)
{
    hid_t set = open_if_good(at, path);
    if (set < 0) return NULL;
    hid_t type = H5Dget_type(set), space = H5Dget_space(set);
    char *text = read_text(set, type, space, false);
    close_type_and_space(type, space);
    H5Dclose(set);
    return text;
}

bool h5get_text_at(hid_t at, const char *path, size_t i, char *out, size_t size)
{
    const hsize_t start[1] = {i}, one[1] = {1};
    hid_t set = open_if_good(at, path);
    out[0] = 0;
    if (set < 0) return false;
    hid_t type = H5Dget_type(set), space = H5Dget_space(set),
          memory = H5Screate_simple(1, one, NULL);
    if (H5Tget_class(type) == H5T_STRING && H5Tis_variable_str(type) == 0 &&
        H5Sget_simple_extent_ndims(space) == 1 && i < (size_t)H5Sget_simple_extent_npoints(space) &&
        H5Sselect_hyperslab(space, H5S_SELECT_SET, start, NULL, one, NULL) >= 0) {
        char *text = H5Tget_size(type) <= longest_text ? calloc(1, H5Tget_size(type) + 1) : NULL;
        if (text && H5Dread(set, type, memory, space, H5P_DEFAULT, text) >= 0)
            copy_printable(text, out, size);
        free(text);
    }
    if (memory >= 0) H5Sclose(memory);
    close_type_and_space(type, space);
    H5Dclose(set);
    return out[0] != 0;
}

bool h5get_attr_text(hid_t object, const char *name, char *out, size_t size)
{
    out[0] = 0;
    if (H5Aexists(object, name) <= 0) return false;
    hid_t attr = H5Aopen(object, name, H5P_DEFAULT);
    if (attr < 0) return false;
    hid_t type = H5Aget_type(attr), space = H5Aget_space(attr);
    char *text = read_text(attr, type, space, true);
    if (text) copy_printable(text, out, size);
    free(text);
    close_type_and_space(type, space);
    H5Aclose(attr);
    return out[0] != 0;
}

enum status h5get_length(hid_t at, const char *path, size_t *out, struct report *rep)
{
    hsize_t dims[1] = {0};
    hid_t set = open_set(at, path, rep);
    if (set < 0) return ST_INPUT;
    hid_t space = H5Dget_space(set);
    bool good = space >= 0 && H5Sget_simple_extent_ndims(space) == 1 &&
                H5Sget_simple_extent_dims(space, dims, NULL) == 1 && dims[0] > 0;
    if (space >= 0) H5Sclose(space);
    H5Dclose(set);
    *out = (size_t)dims[0];
    return good ? ST_OK : fail(rep, ST_INPUT, "%s: expected a list of numbers", path);
}

enum status h5get_class(hid_t at, const char *path, H5T_class_t *out, struct report *rep)
{
    hid_t set = open_set(at, path, rep);
    *out = H5T_NO_CLASS;
    if (set < 0) return ST_INPUT;
    hid_t type = H5Dget_type(set);
    if (type >= 0) *out = H5Tget_class(type);
    if (type >= 0) H5Tclose(type);
    H5Dclose(set);
    return ST_OK;
}

static bool has_shape(hid_t set, int rank, const size_t *dims)
{
    hsize_t found[H5S_MAX_RANK];
    hid_t space = H5Dget_space(set);
    bool good = space >= 0 && H5Sget_simple_extent_ndims(space) == rank &&
                H5Sget_simple_extent_dims(space, found, NULL) == rank;
    for (int i = 0; good && i < rank; i++)
        good = found[i] == dims[i];
    if (space >= 0) H5Sclose(space);
    return good;
}

static bool has_class(hid_t set, H5T_class_t class)
{
    hid_t type = H5Dget_type(set);
    bool good = type >= 0 && H5Tget_class(type) == class;
    if (type >= 0) H5Tclose(type);
    return good;
}

enum status h5get_array(hid_t at, const char *path, H5T_class_t class, hid_t type, int rank,
                        const size_t *dims, void **out, char *unit, struct report *rep)
{
    enum status st = ST_OK;
    size_t bytes = H5Tget_size(type);
    *out = NULL;
    hid_t set = open_set(at, path, rep);
    if (set < 0) return ST_INPUT;
    for (int i = 0; i < rank; i++)
        bytes *= dims[i];
    if (!has_shape(set, rank, dims))
        st = fail(rep, ST_INPUT, "%s: its shape does not fit what it goes with", path);
    else if (!has_class(set, class))
        st = fail(rep, ST_INPUT, "%s: expected %s numbers", path,
                  class == H5T_FLOAT ? "real" : "whole");
    else if (!(*out = malloc(bytes)))
        st = fail(rep, ST_MEMORY, "%s: not enough memory for %zu bytes", path, bytes);
    else if (H5Dread(set, type, H5S_ALL, H5S_ALL, H5P_DEFAULT, *out) < 0)
        st = fail(rep, ST_INPUT, "%s: cannot be read; the file may be damaged", path);
    if (st == ST_OK && unit && !h5get_attr_text(set, "units", unit, 16))
        st = fail(rep, ST_INPUT, "%s: the attribute units is missing", path);
    if (st != ST_OK) {
        free(*out);
        *out = NULL;
    }
    H5Dclose(set);
    return st;
}

enum status h5get_reals(hid_t group, const char *path, size_t n, double *out, struct report *rep)
{
    void *values;
    enum status st = h5get_array(group, path, H5T_FLOAT, H5T_NATIVE_DOUBLE, n ? 1 : 0, &n, &values,
                                 NULL, rep);
    if (st == ST_OK) memcpy(out, values, (n ? n : 1) * sizeof *out);
    free(values);
    return st;
}

enum status h5get_count(hid_t group, const char *path, size_t *out, struct report *rep)
{
    void *value;
    enum status st = h5get_array(group, path, H5T_INTEGER, H5T_NATIVE_UINT64, 0, NULL, &value, NULL,
                                 rep);
    if (st == ST_OK) *out = (size_t) * (uint64_t *)value;
    free(value);
    return st;
}
