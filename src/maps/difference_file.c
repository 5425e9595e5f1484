#include "maps/difference_file.h"

#include "base/output_file.h"
#include "build_facts.h"
#include "maps/h5put.h"
#include "maps/text_time.h"

#include <hdf5_hl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct writing {
    const struct difference_file *f;
    struct h5put p;
    float *plane;
    hid_t y, x; /* dimension scales */
};

static hid_t put_axis(struct writing *w, hid_t group, const char *name, const double *m, size_t n)
{
    double *um = malloc(n * sizeof *um);
    hsize_t dims[1] = {n};
    if (!um && w->p.st == ST_OK)
        w->p.st = fail(w->p.rep, ST_MEMORY, "not enough memory for coordinates");
    for (size_t i = 0; um && i < n; i++)
        um[i] = 1e6 * m[i];
    hid_t dcpl = w->p.st == ST_OK ? H5Pcreate(H5P_DATASET_CREATE) : H5I_INVALID_HID;
    hid_t set = h5put_array(&w->p, group, name, H5T_NATIVE_DOUBLE, 1, dims, dcpl, um);
    if (w->p.st == ST_OK && H5DSset_scale(set, name) < 0) h5put_fail(&w->p, name);
    h5put_attr_text(&w->p, set, "units", "um");
    h5put_attr_text(&w->p, set, "long_name", *name == 'y' ? "y (um)" : "x (um)");
    h5put_close(&w->p, &dcpl);
    free(um);
    return set;
}

static hid_t storage(struct writing *w)
{
    const hsize_t rows = 65536 / (w->f->nx < 65536 ? w->f->nx : 65536);
    hsize_t chunk[2] = {rows < w->f->ny ? rows : w->f->ny, w->f->nx < 65536 ? w->f->nx : 65536};
    if (w->p.st != ST_OK) return H5I_INVALID_HID;
    hid_t dcpl = H5Pcreate(H5P_DATASET_CREATE);
    if (dcpl < 0 || H5Pset_chunk(dcpl, 2, chunk) < 0 || H5Pset_shuffle(dcpl) < 0 ||
        H5Pset_deflate(dcpl, 4) < 0)
        h5put_fail(&w->p, "the storage of a map");
    return dcpl;
}

static void put_plane(struct writing *w, hid_t group, const struct difference_plane *out)
{
    const hsize_t dims[2] = {w->f->ny, w->f->nx};
    char text[256];
    hid_t dcpl = storage(w);
    for (size_t i = 0; i < w->f->ny * w->f->nx; i++)
        w->plane[i] = (float)out->value[i];
    hid_t set = h5put_array(&w->p, group, out->name, H5T_NATIVE_FLOAT, 2, dims, dcpl, w->plane);
    if (w->p.st == ST_OK &&
        (H5DSattach_scale(set, w->y, 0) < 0 || H5DSattach_scale(set, w->x, 1) < 0))
        h5put_fail(&w->p, out->name);
    snprintf(text, sizeof text, "%s (%s)", out->words, out->unit);
    h5put_attr_text(&w->p, set, "units", out->unit);
    h5put_attr_text(&w->p, set, "long_name", text);
    h5put_close(&w->p, &set);
    h5put_close(&w->p, &dcpl);
}

static void put_planes(struct writing *w, hid_t entry)
{
    static const char *const axes[] = {"y", "x"};
    hid_t group = h5put_group(&w->p, entry, w->f->group, "NXdata");
    h5put_attr_text(&w->p, group, "signal", w->f->n ? w->f->plane[0].name : "");
    h5put_attr_texts(&w->p, group, "axes", axes, 2);
    w->y = put_axis(w, group, "y", w->f->y_m, w->f->ny);
    w->x = put_axis(w, group, "x", w->f->x_m, w->f->nx);
    for (size_t i = 0; i < w->f->n && w->p.st == ST_OK; i++)
        put_plane(w, group, &w->f->plane[i]);
    h5put_close(&w->p, &w->x);
    h5put_close(&w->p, &w->y);
    h5put_close(&w->p, &group);
}

static void put_all(struct writing *w, const char *path)
{
    char now[40];
    hid_t order = h5put_file_order(&w->p), access = h5put_access();
    if (w->p.st == ST_OK) w->p.file = H5Fcreate(path, H5F_ACC_TRUNC, order, access);
    if (w->p.file < 0) h5put_fail(&w->p, "the file");
    h5put_close(&w->p, &order);
    h5put_close(&w->p, &access);
    h5put_attr_text(&w->p, w->p.file, "NX_class", "NXroot");
    h5put_attr_text(&w->p, w->p.file, "default", "entry");
    hid_t entry = h5put_group(&w->p, w->p.file, "entry", "NXentry");
    h5put_attr_text(&w->p, entry, "default", w->f->group);
    h5put_text(&w->p, entry, "title", w->f->title);
    put_planes(w, entry);
    text_time_now(now);
    h5put_text(&w->p, entry, "program", "cantle " CANTLE_VERSION);
    h5put_text(&w->p, entry, "date", now);
    h5put_text(&w->p, entry, "record", w->f->record);
    h5put_close(&w->p, &entry);
    h5put_finish_file(&w->p);
}

enum status difference_file_write(const struct difference_file *f, struct report *rep)
{
    struct writing w = {.f = f, .p = h5put_start(rep), .y = H5I_INVALID_HID, .x = H5I_INVALID_HID};
    char *making = output_side_name(f->path, "making", (uint64_t)getpid());
    enum status st = ST_OK;
    h5put_quiet();
    for (int i = 0; i < 2 && st == ST_OK; i++)
        if (f->input[i]) st = output_check(f->path, f->input[i], f->overwrite, rep);
    w.plane = malloc(f->ny * f->nx * sizeof *w.plane);
    if (st == ST_OK && (!making || !w.plane))
        st = fail(rep, ST_MEMORY, "%s: not enough memory to write it", f->path);
    if (st == ST_OK) st = output_reserve(making, (4 * f->n + 16) * f->ny * f->nx + (2 << 20), rep);
    if (st == ST_OK) {
        put_all(&w, making);
        st = w.p.st == ST_OK ? output_publish(making, f->path, f->overwrite, rep)
                             : within(rep, w.p.st, "%s: ", f->path);
        if (st != ST_OK) unlink(making);
    }
    free(w.plane);
    free(making);
    return st;
}
