#include "export/export_private.h"

#include <stdio.h>
#include <string.h>

enum status export_check_npy(const struct export_maps *m, struct report *rep)
{
    if (m->n == 1) return ST_OK;
    return fail(rep, ST_USAGE, "an .npy file holds one array; give one map, or each its own file");
}

enum status export_npy(const struct export_maps *m, const struct whole_file *w, struct report *rep)
{
    static const char *const types[] = {"<f4", "|u1", "<u8"};
    const struct export_array *a = &m->array[0];
    char text[192], shape[96];
    FILE *out;
    snprintf(shape, sizeof shape, a->layers > 1 ? "(%zu, %zu, %zu)" : "(%zu, %zu)", m->ny, m->nx,
             a->layers);
    int used = snprintf(text, sizeof text, "{'descr': '%s', 'fortran_order': False, 'shape': %s, }",
                        types[a->type], shape);
    /* magic, version and length are 10 bytes; all of the header a multiple of 64, ended by \n */
    size_t length = (10 + (size_t)used + 1 + 63) / 64 * 64 - 10;
    enum status st = whole_open(w, &out, rep);
    if (st != ST_OK) return st;
    fputs("\x93NUMPY", out);
    fputc(1, out);
    fputc(0, out);
    fputc((int)(length & 255), out);
    fputc((int)(length >> 8), out);
    fprintf(out, "%-*s\n", (int)length - 1, text);
    fwrite(a->data, export_item(a->type), m->ny * m->nx * a->layers, out);
    return whole_close(w, &out, rep);
}
