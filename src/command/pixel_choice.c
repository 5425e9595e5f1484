#include "command/pixel_choice.h"

#include "base/guard.h"
#include "base/words.h"
#include "maps/h5get.h"
#include "maps/h5put.h"

#include <stdlib.h>
#include <string.h>

enum { WORDS = FLAG_COUNT + STATE_COUNT };

static void list_words(const char *out[WORDS])
{
    for (int i = 0; i < FLAG_COUNT; i++)
        out[i] = flag_rows[i].name;
    for (int i = 0; i < STATE_COUNT; i++)
        out[FLAG_COUNT + i] = state_rows[i].name;
}

static enum status add_word(const struct maps_view *v, const char *word, uint8_t *chosen,
                            struct report *rep)
{
    const char *names[WORDS];
    int at = 0;
    list_words(names);
    while (at < WORDS && strcmp(names[at], word) != 0)
        at++;
    if (at == WORDS) {
        int near = words_nearest(word, names, WORDS);
        return fail(rep, ST_USAGE,
                    "--pixels: '%.64s' is neither a flag nor a state%s%s%s; `cantle manual flags` "
                    "lists them, and a mask is written FILE.h5:/DATASET",
                    word, near < 0 ? "" : " (did you mean '", near < 0 ? "" : names[near],
                    near < 0 ? "" : "'?)");
    }
    for (size_t i = 0; i < v->ny * v->nx; i++)
        if (at < FLAG_COUNT ? v->flags[i] >> at & 1 : v->state[i] == at - FLAG_COUNT) chosen[i] = 1;
    return ST_OK;
}

static enum status read_words(const struct maps_view *v, const char *words, uint8_t *chosen,
                              struct report *rep)
{
    char word[128];
    enum status st = ST_OK;
    for (size_t n; st == ST_OK; words += n + 1) {
        n = strcspn(words, ",");
        snprintf(word, sizeof word, "%.*s", (int)(n < 100 ? n : 100), words);
        st = add_word(v, word, chosen, rep);
        if (!words[n]) break;
    }
    return st;
}

/* h5py writes booleans as an enumeration. */
static bool is_enumeration(hid_t file, const char *path)
{
    hid_t set = h5get_has(file, path) ? H5Dopen2(file, path, H5P_DEFAULT) : H5I_INVALID_HID;
    if (set < 0) return false;
    hid_t type = H5Dget_type(set);
    bool is = type >= 0 && H5Tget_class(type) == H5T_ENUM;
    if (type >= 0) H5Tclose(type);
    H5Dclose(set);
    return is;
}

static enum status read_mask(const struct maps_view *v, const char *path, const char *dataset,
                             uint8_t *chosen, struct report *rep)
{
    const size_t dims[2] = {v->ny, v->nx};
    void *values = NULL;
    h5put_quiet();
    guard_file(path);
    hid_t file = h5put_open(path);
    if (file < 0) {
        guard_file(NULL);
        return fail(rep, ST_INPUT, "%s: this mask is missing, or not HDF5", path);
    }
    enum status st = h5get_array(file, dataset,
                                 is_enumeration(file, dataset) ? H5T_ENUM : H5T_INTEGER,
                                 H5T_NATIVE_INT64, 2, dims, &values, NULL, rep);
    H5Fclose(file);
    guard_file(NULL);
    for (size_t i = 0; st == ST_OK && i < v->ny * v->nx; i++)
        chosen[i] = ((const int64_t *)values)[i] != 0;
    free(values);
    return st == ST_OK
               ? ST_OK
               : within(rep, st, "%s (a mask for maps of %zu x %zu pixels): ", path, v->nx, v->ny);
}

enum status pixel_choice(const struct maps_view *view, const char *words, uint8_t **out,
                         struct report *rep)
{
    const char *colon = strstr(words, ":/");
    char path[4096];
    enum status st = ST_OK;
    *out = calloc(view->ny * view->nx, 1);
    if (!*out) return fail(rep, ST_MEMORY, "not enough memory for a choice of pixels");
    if (colon && (size_t)(colon - words) < sizeof path) {
        snprintf(path, sizeof path, "%.*s", (int)(colon - words), words);
        st = read_mask(view, path, colon + 1, *out, rep);
    } else {
        st = read_words(view, words, *out, rep);
    }
    if (st == ST_OK) return ST_OK;
    free(*out);
    *out = NULL;
    return st;
}
