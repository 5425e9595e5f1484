#include "export/export_private.h"

#include "base/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

static const struct {
    const char *endings, *words;
} formats[EXPORT_COUNT] = {
#define E(name, endings, words) {endings, words},
    EXPORT_LIST(E)
#undef E
};

size_t export_item(enum export_type type)
{
    return type == EXPORT_FLOAT32 ? 4 : type == EXPORT_UINT8 ? 1 : 8;
}

double export_at(const struct export_maps *m, const struct export_array *a, size_t i, size_t j,
                 size_t layer)
{
    size_t at = (i * m->nx + j) * a->layers + layer;
    switch (a->type) {
    case EXPORT_FLOAT32:
        return (double)((const float *)a->data)[at];
    case EXPORT_UINT8:
        return ((const uint8_t *)a->data)[at];
    default:
        return (double)((const uint64_t *)a->data)[at];
    }
}

uint64_t export_bytes(const struct export_maps *m)
{
    uint64_t sum = 0;
    for (size_t k = 0; k < m->n; k++)
        sum += (uint64_t)m->ny * m->nx * m->array[k].layers * export_item(m->array[k].type);
    return sum;
}

/* NaN for a single position; negative when uneven. */
static double pitch(const double *position, size_t n)
{
    if (n < 2) return NAN;
    double mean = (position[n - 1] - position[0]) / (double)(n - 1);
    for (size_t i = 1; i < n; i++)
        if (fabs(position[i] - position[i - 1] - mean) > 1e-3 * mean) return -1;
    return mean;
}

enum status export_pitch(const struct export_maps *m, double *dy, double *dx, struct report *rep)
{
    *dy = pitch(m->y_um, m->ny);
    *dx = pitch(m->x_um, m->nx);
    if (*dy < 0 || *dx < 0)
        return fail(rep, ST_USAGE,
                    "the %s of this map are not evenly spaced, and the format has no place to say "
                    "so; export as .csv",
                    *dy < 0 ? "rows" : "columns");
    if (isnan(*dy)) *dy = isnan(*dx) ? 1 : *dx;
    if (isnan(*dx)) *dx = *dy;
    return ST_OK;
}

enum status export_format_of(const char *path, enum export_format *out, struct report *rep)
{
    char list[256] = "", ending[16];
    for (int f = 0; f < EXPORT_COUNT; f++)
        for (size_t i = 0; words_at(formats[f].endings, i, ending, sizeof ending); i++) {
            size_t n = strlen(path), e = strlen(ending), used = strlen(list);
            *out = (enum export_format)f;
            if (n > e && strcasecmp(path + n - e, ending) == 0) return ST_OK;
            snprintf(list + used, sizeof list - used, "%s%s", used ? ", " : "", ending);
        }
    return fail(rep, ST_USAGE,
                "%s: the ending says which format it is to be: %s (figures as .png, .svg and .pdf "
                "come from `cantle draw`)",
                path, list);
}

static enum status check(const struct export_maps *m, enum export_format format, bool grid,
                         struct report *rep)
{
    double dy, dx;
    if (grid && format != EXPORT_csv) return fail(rep, ST_USAGE, "--grid is for .csv");
    switch (format) {
    case EXPORT_tiff:
        return export_check_tiff(m, rep);
    case EXPORT_csv:
        return export_check_csv(m, grid, rep);
    case EXPORT_npy:
        return export_check_npy(m, rep);
    default:
        return export_pitch(m, &dy, &dx, rep);
    }
}

static enum status write_part(const struct export_maps *m, enum export_format format, bool grid,
                              const struct whole_file *w, struct report *rep)
{
    switch (format) {
    case EXPORT_tiff:
        return export_tiff(m, w, rep);
    case EXPORT_csv:
        return export_csv(m, grid, w, rep);
    case EXPORT_npy:
        return export_npy(m, w, rep);
    default:
        return export_vti(m, w, rep);
    }
}

enum status export_write(const struct export_maps *m, enum export_format format, bool grid,
                         const char *path, const char *input, bool overwrite, struct report *rep)
{
    struct whole_file w;
    enum status st = check(m, format, grid, rep);
    if (st != ST_OK) return within(rep, st, "%s: ", path);
    st = whole_begin(&w, path, input, overwrite, export_bytes(m), rep);
    if (st != ST_OK) return st;
    st = write_part(m, format, grid, &w, rep);
    return whole_finish(&w, st, rep);
}
