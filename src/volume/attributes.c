#include "volume/attributes.h"
#include "base/words.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A unit, a title or a word: longer texts are damage or an attack. */
static const size_t longest_text = 1 << 20;

bool attribute_there(hid_t object, const char *name)
{
    return H5Aexists(object, name) > 0;
}

static size_t count_of(hid_t attribute)
{
    hid_t space = H5Aget_space(attribute);
    hssize_t n = space < 0 ? -1 : H5Sget_simple_extent_npoints(space);
    if (space >= 0) H5Sclose(space);
    return n < 0 ? 0 : (size_t)n;
}

static bool read_variable(hid_t attribute, hid_t type, char *out, size_t size)
{
    char *text = NULL;
    if (H5Aread(attribute, type, &text) < 0) return false;
    snprintf(out, size, "%s", text ? text : "");
    if (text) H5free_memory(text);
    return true;
}

static bool read_fixed(hid_t attribute, hid_t type, char *out, size_t size)
{
    size_t length = H5Tget_size(type);
    if (length == 0 || length > longest_text) return false;
    char *text = calloc(length + 1, 1);
    bool good = text && H5Aread(attribute, type, text) >= 0;
    if (good) {
        bool padded = H5Tget_strpad(type) == H5T_STR_SPACEPAD;
        for (size_t n = strlen(text); padded && n > 0 && text[n - 1] == ' '; n--)
            text[n - 1] = 0;
        snprintf(out, size, "%s", text);
    }
    free(text);
    return good;
}

enum status attribute_text(hid_t object, const char *name, char *out, size_t size,
                           struct report *rep)
{
    enum status st = ST_OK;
    hid_t attribute = H5I_INVALID_HID, type = H5I_INVALID_HID;
    *out = 0;
    if (!attribute_there(object, name)) return ST_OK;
    attribute = H5Aopen(object, name, H5P_DEFAULT);
    type = attribute < 0 ? H5I_INVALID_HID : H5Aget_type(attribute);
    if (type < 0 || H5Tget_class(type) != H5T_STRING || count_of(attribute) != 1) {
        st = fail(rep, ST_INPUT, "attribute '%s' is not one text", name);
        goto done;
    }
    bool good = H5Tis_variable_str(type) > 0 ? read_variable(attribute, type, out, size)
                                             : read_fixed(attribute, type, out, size);
    if (!good) st = fail(rep, ST_INPUT, "attribute '%s' cannot be read", name);
    words_printable(out, '?'); /* it ends on a terminal or in a message */
done:
    if (type >= 0) H5Tclose(type);
    if (attribute >= 0) H5Aclose(attribute);
    return st;
}

enum status attribute_numbers(hid_t object, const char *name, double *out, size_t n, bool *there,
                              struct report *rep)
{
    enum status st = ST_OK;
    hid_t attribute = H5I_INVALID_HID, type = H5I_INVALID_HID;
    *there = attribute_there(object, name);
    if (!*there) return ST_OK;
    attribute = H5Aopen(object, name, H5P_DEFAULT);
    type = attribute < 0 ? H5I_INVALID_HID : H5Aget_type(attribute);
    H5T_class_t class = type < 0 ? H5T_NO_CLASS : H5Tget_class(type);
    if (class != H5T_INTEGER && class != H5T_FLOAT)
        st = fail(rep, ST_INPUT, "attribute '%s' is not a number", name);
    else if (count_of(attribute) != n)
        st = fail(rep, ST_INPUT, "attribute '%s' holds %zu numbers, expected %zu", name,
                  count_of(attribute), n);
    else if (H5Aread(attribute, H5T_NATIVE_DOUBLE, out) < 0)
        st = fail(rep, ST_INPUT, "attribute '%s' cannot be read", name);
    if (type >= 0) H5Tclose(type);
    if (attribute >= 0) H5Aclose(attribute);
    return st;
}
