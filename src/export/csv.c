#include "base/progress.h"
#include "export/export_private.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

enum status export_check_csv(const struct export_maps *m, bool grid, struct report *rep)
{
    for (size_t k = 0; k < m->n; k++)
        if (m->array[k].layers != m->array[0].layers)
            return fail(rep, ST_USAGE,
                        "%s and %s do not have the same number of layers; give each a file",
                        m->array[0].name, m->array[k].name);
    if (grid && (m->n != 1 || m->array[0].layers != 1))
        return fail(rep, ST_USAGE, "--grid is a table of one plane; give one map");
    return ST_OK;
}

/* Quoted where RFC 4180 wants it. */
static void put_field(FILE *out, const char *text)
{
    if (!strpbrk(text, ",\"\n\r")) {
        fputs(text, out);
        return;
    }
    fputc('"', out);
    for (; *text; text++) {
        if (*text == '"') fputc('"', out);
        fputc(*text, out);
    }
    fputc('"', out);
}

/* Nine digits give a 32-bit number back as it was. */
static void put_value(FILE *out, const struct export_maps *m, const struct export_array *a,
                      size_t i, size_t j, size_t layer)
{
    double value = export_at(m, a, i, j, layer);
    if (a->type == EXPORT_UINT64)
        fprintf(out, "%" PRIu64, ((const uint64_t *)a->data)[(i * m->nx + j) * a->layers + layer]);
    else if (isnan(value))
        fputs("NaN", out);
    else
        fprintf(out, "%.9g", value);
}

static void put_name(FILE *out, const struct export_array *a)
{
    char text[256];
    snprintf(text, sizeof text, *a->unit ? "%s (%s)" : "%s", a->name, a->unit);
    put_field(out, text);
}

static void put_axis(FILE *out, const struct export_array *a)
{
    char text[128];
    snprintf(text, sizeof text, a->axis && *a->axis_unit ? "%s (%s)" : "%s",
             a->axis ? a->axis : "layer", a->axis ? a->axis_unit : "");
    fputc(',', out);
    put_field(out, text);
}

static void put_list(FILE *out, const struct export_maps *m)
{
    size_t layers = m->array[0].layers;
    struct progress line;
    fputs("x (um),y (um)", out);
    if (layers > 1) put_axis(out, &m->array[0]);
    for (size_t k = 0; k < m->n; k++) {
        fputc(',', out);
        put_name(out, &m->array[k]);
    }
    fputc('\n', out);
    progress_begin(&line, m->progress, "rows", m->ny);
    for (size_t i = 0; i < m->ny; i++) {
        for (size_t j = 0; j < m->nx; j++)
            for (size_t l = 0; l < layers; l++) {
                fprintf(out, "%.12g,%.12g", m->x_um[j], m->y_um[i]);
                if (layers > 1 && m->array[0].axis)
                    fprintf(out, ",%.12g", m->array[0].at[l]);
                else if (layers > 1)
                    fprintf(out, ",%zu", l);
                for (size_t k = 0; k < m->n; k++) {
                    fputc(',', out);
                    put_value(out, m, &m->array[k], i, j, l);
                }
                fputc('\n', out);
            }
        progress_show(&line, i + 1);
    }
    progress_end(&line);
}

static void put_grid(FILE *out, const struct export_maps *m)
{
    char corner[300];
    const struct export_array *a = &m->array[0];
    snprintf(corner, sizeof corner,
             *a->unit ? "%s (%s); y (um) down, x (um) across"
                      : "%s%s; y (um) "
                        "down, x (um) across",
             a->name, a->unit);
    put_field(out, corner);
    for (size_t j = 0; j < m->nx; j++)
        fprintf(out, ",%.12g", m->x_um[j]);
    fputc('\n', out);
    for (size_t i = 0; i < m->ny; i++) {
        fprintf(out, "%.12g", m->y_um[i]);
        for (size_t j = 0; j < m->nx; j++) {
            fputc(',', out);
            put_value(out, m, a, i, j, 0);
        }
        fputc('\n', out);
    }
}

enum status export_csv(const struct export_maps *m, bool grid, const struct whole_file *w,
                       struct report *rep)
{
    FILE *out;
    enum status st = whole_open(w, &out, rep);
    if (st != ST_OK) return st;
    if (grid)
        put_grid(out, m);
    else
        put_list(out, m);
    return whole_close(w, &out, rep);
}
