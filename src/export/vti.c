#include "base/base64.h"
#include "export/export_private.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void put_text(FILE *out, const char *text)
{
    for (; *text; text++)
        if (*text == '&')
            fputs("&amp;", out);
        else if (*text == '<')
            fputs("&lt;", out);
        else if (*text == '>')
            fputs("&gt;", out);
        else if (*text == '"')
            fputs("&quot;", out);
        else
            fputc(*text, out);
}

/* x runs fastest, then y, then the layers. */
static void put_array(FILE *out, const struct export_maps *m, const struct export_array *a)
{
    static const char *const types[] = {"Float32", "UInt8", "UInt64"};
    size_t item = export_item(a->type);
    uint64_t bytes = (uint64_t)m->ny * m->nx * a->layers * item;
    struct base64 b = {.out = out};
    fprintf(out, "        <DataArray type=\"%s\" format=\"binary\" Name=\"", types[a->type]);
    put_text(out, a->name);
    if (*a->unit) fputs(" (", out);
    put_text(out, a->unit);
    fprintf(out, "%s\">\n", *a->unit ? ")" : "");
    base64_put(&b, &bytes, sizeof bytes);
    for (size_t l = 0; l < a->layers; l++)
        for (size_t p = 0; p < m->ny * m->nx; p++)
            base64_put(&b, (const char *)a->data + (p * a->layers + l) * item, item);
    base64_end(&b);
    fputs("\n        </DataArray>\n", out);
}

/* Arrays of one number of layers are one image; others cannot stand beside them. */
static enum status check_layers(const struct export_maps *m, struct report *rep)
{
    for (size_t k = 0; k < m->n; k++)
        if (m->array[k].layers != m->array[0].layers)
            return fail(rep, ST_USAGE,
                        "%s and %s do not have the same number of layers; give each a file",
                        m->array[0].name, m->array[k].name);
    return ST_OK;
}

enum status export_vti(const struct export_maps *m, const struct whole_file *w, struct report *rep)
{
    double dy, dx;
    FILE *out = NULL;
    char extent[96];
    enum status st = export_pitch(m, &dy, &dx, rep);
    if (st == ST_OK) st = check_layers(m, rep);
    if (st == ST_OK) st = whole_open(w, &out, rep);
    if (st != ST_OK) return st;
    snprintf(extent, sizeof extent, "0 %zu 0 %zu 0 %zu", m->nx - 1, m->ny - 1,
             m->array[0].layers - 1);
    fputs("<?xml version=\"1.0\"?>\n<!-- lengths in um; ", out);
    for (const char *c = m->title; *c; c++) /* two hyphens would end the comment */
        if (*c != '-' && *c != '<' && *c != '>' && *c != '&') fputc(*c, out);
    fprintf(out,
            " -->\n<VTKFile type=\"ImageData\" version=\"1.0\" byte_order=\"LittleEndian\" "
            "header_type=\"UInt64\">\n"
            "  <ImageData WholeExtent=\"%s\" Origin=\"%.12g %.12g 0\" Spacing=\"%.12g %.12g 1\">\n"
            "    <Piece Extent=\"%s\">\n      <PointData Scalars=\"",
            extent, m->x_um[0], m->y_um[0], dx, dy, extent);
    put_text(out, m->array[0].name);
    fprintf(out, *m->array[0].unit ? " (" : "");
    put_text(out, m->array[0].unit);
    fprintf(out, "%s\">\n", *m->array[0].unit ? ")" : "");
    for (size_t k = 0; k < m->n; k++)
        put_array(out, m, &m->array[k]);
    fputs("      </PointData>\n      <CellData/>\n    </Piece>\n  </ImageData>\n</VTKFile>\n", out);
    return whole_close(w, &out, rep);
}
