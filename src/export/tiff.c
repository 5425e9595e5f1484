#include "export/export_private.h"

#include <fcntl.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <tiffio.h>
#include <unistd.h>

enum status export_check_tiff(const struct export_maps *m, struct report *rep)
{
    double dy, dx;
    for (size_t k = 0; k < m->n; k++)
        if (m->array[k].type == EXPORT_UINT64)
            return fail(rep, ST_USAGE,
                        "%s does not fit into 32-bit float; export it as .csv, .npy or .vti",
                        m->array[k].name);
    return export_pitch(m, &dy, &dx, rep);
}

/* libtiff's own words, the first of them. */
struct said {
    char text[256];
};

static int hear_error(TIFF *tiff, void *data, const char *module, const char *fmt, va_list args)
{
    struct said *said = data;
    (void)tiff;
    (void)module;
    if (!said->text[0]) vsnprintf(said->text, sizeof said->text, fmt, args);
    return 1;
}

static int hear_warning(TIFF *tiff, void *data, const char *module, const char *fmt, va_list args)
{
    (void)tiff;
    (void)data;
    (void)module;
    (void)fmt;
    (void)args;
    return 1;
}

static TIFF *open_tiff(const char *path, bool large, struct said *said)
{
    TIFFOpenOptions *options = TIFFOpenOptionsAlloc();
    if (!options) return NULL;
    TIFFOpenOptionsSetErrorHandlerExtR(options, hear_error, said);
    TIFFOpenOptionsSetWarningHandlerExtR(options, hear_warning, NULL);
    TIFF *tiff = TIFFOpenExt(path, large ? "w8l" : "wl", options);
    TIFFOpenOptionsFree(options);
    return tiff;
}

static void describe(const struct export_maps *m, const struct export_array *a, size_t layer,
                     char *out, size_t size)
{
    char place[128] = "";
    if (a->layers > 1) snprintf(place, sizeof place, "layer: %zu of %zu\n", layer + 1, a->layers);
    if (a->axis)
        snprintf(place + strlen(place), sizeof place - strlen(place), "%s: %.12g %s\n", a->axis,
                 a->at[layer], a->axis_unit);
    snprintf(out, size,
             "map: %s\nunit: %s\n%swords: %s\ntitle: %s\nsource: %s\n"
             "x: %.12g to %.12g um, left to right\ny: %.12g to %.12g um, top to bottom\n",
             a->name, *a->unit ? a->unit : "1", place, a->words, m->title, m->source, m->x_um[0],
             m->x_um[m->nx - 1], m->y_um[m->ny - 1], m->y_um[0]);
}

static bool set_tags(TIFF *tiff, const struct export_maps *m, const struct export_array *a,
                     size_t layer, double dy, double dx)
{
    char text[1024];
    describe(m, a, layer, text, sizeof text);
    return TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, (uint32_t)m->nx) &&
           TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, (uint32_t)m->ny) &&
           TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, 32) &&
           TIFFSetField(tiff, TIFFTAG_SAMPLEFORMAT, SAMPLEFORMAT_IEEEFP) &&
           TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, 1) &&
           TIFFSetField(tiff, TIFFTAG_COMPRESSION, COMPRESSION_NONE) &&
           TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_MINISBLACK) &&
           TIFFSetField(tiff, TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT) &&
           TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG) &&
           TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, TIFFDefaultStripSize(tiff, (uint32_t)-1)) &&
           TIFFSetField(tiff, TIFFTAG_RESOLUTIONUNIT, RESUNIT_CENTIMETER) &&
           TIFFSetField(tiff, TIFFTAG_XRESOLUTION, 1e4 / dx) &&
           TIFFSetField(tiff, TIFFTAG_YRESOLUTION, 1e4 / dy) &&
           TIFFSetField(tiff, TIFFTAG_IMAGEDESCRIPTION, text) &&
           TIFFSetField(tiff, TIFFTAG_PAGENAME, a->name) &&
           TIFFSetField(tiff, TIFFTAG_SOFTWARE, "cantle");
}

static bool write_page(TIFF *tiff, const struct export_maps *m, const struct export_array *a,
                       size_t layer, float *row, const double pitch[2])
{
    if (!set_tags(tiff, m, a, layer, pitch[0], pitch[1])) return false;
    for (size_t i = 0; i < m->ny; i++) {
        for (size_t j = 0; j < m->nx; j++)
            row[j] = (float)export_at(m, a, m->ny - 1 - i, j, layer);
        if (TIFFWriteScanline(tiff, row, (uint32_t)i, 0) < 0) return false;
    }
    return TIFFWriteDirectory(tiff) != 0;
}

static enum status sync_file(const struct whole_file *w, struct report *rep)
{
    int fd = open(w->part, O_WRONLY | O_CLOEXEC);
    int bad = fd < 0 || (fsync(fd) != 0);
    if (fd >= 0) close(fd);
    return bad ? fail(rep, ST_OUTPUT, "%s cannot be written: %m", w->path) : ST_OK;
}

enum status export_tiff(const struct export_maps *m, const struct whole_file *w, struct report *rep)
{
    struct said said = {""};
    double pitch[2];
    enum status st = export_pitch(m, &pitch[0], &pitch[1], rep);
    float *row = malloc(m->nx * sizeof *row);
    if (st == ST_OK && !row) st = fail(rep, ST_MEMORY, "not enough memory for a row of pixels");
    TIFF *tiff = st == ST_OK ? open_tiff(w->part, export_bytes(m) > 4000000000u, &said) : NULL;
    bool good = tiff != NULL;
    for (size_t k = 0; k < m->n && good; k++)
        for (size_t l = 0; l < m->array[k].layers && good; l++)
            good = write_page(tiff, m, &m->array[k], l, row, pitch);
    if (tiff) TIFFClose(tiff);
    free(row);
    if (st == ST_OK && (!good || said.text[0]))
        st = fail(rep, ST_OUTPUT, "%s cannot be written: %s", w->path,
                  said.text[0] ? said.text : "libtiff gives no reason");
    return st == ST_OK ? sync_file(w, rep) : st;
}
