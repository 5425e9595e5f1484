#include "maps/phases_file.h"

#include "base/whole_file.h"
#include "build_facts.h"
#include "maps/h5put.h"
#include "maps/text_time.h"

#include <hdf5_hl.h>
#include <math.h>
#include <stdlib.h>

static hid_t put_axis(struct h5put *p, hid_t group, const char *name, const double *m, size_t n)
{
    double *um = malloc(n * sizeof *um);
    if (!um) {
        if (p->st == ST_OK) p->st = fail(p->rep, ST_MEMORY, "not enough memory for %s", name);
        return H5I_INVALID_HID;
    }
    for (size_t i = 0; i < n; i++)
        um[i] = 1e6 * m[i];
    const hsize_t dims[1] = {n};
    hid_t dcpl = p->st == ST_OK ? H5Pcreate(H5P_DATASET_CREATE) : H5I_INVALID_HID;
    hid_t set = h5put_array(p, group, name, H5T_NATIVE_DOUBLE, 1, dims, dcpl, um);
    if (p->st == ST_OK && H5DSset_scale(set, name) < 0) h5put_fail(p, name);
    h5put_attr_text(p, set, "units", "um");
    h5put_close(p, &dcpl);
    free(um);
    return set;
}

static void put_plane(struct h5put *p, hid_t group, const struct maps_view *v, const hid_t axes[2],
                      const char *name, hid_t type, const void *values, const char *words)
{
    const hsize_t dims[2] = {v->ny, v->nx};
    hid_t dcpl = p->st == ST_OK ? H5Pcreate(H5P_DATASET_CREATE) : H5I_INVALID_HID;
    hid_t set = h5put_array(p, group, name, type, 2, dims, dcpl, values);
    h5put_attr_text(p, set, "long_name", words);
    for (unsigned i = 0; i < 2 && p->st == ST_OK; i++)
        if (H5DSattach_scale(set, axes[i], i) < 0) h5put_fail(p, name);
    h5put_close(p, &dcpl);
    h5put_close(p, &set);
}

static void put_planes(struct h5put *p, hid_t entry, const struct phases_file *f)
{
    static const char *const names[2] = {"y", "x"};
    const struct maps_view *v = f->view;
    hid_t group = h5put_group(p, entry, "phases", "NXdata");
    hid_t axes[2] = {put_axis(p, group, "y", v->y_m, v->ny),
                     put_axis(p, group, "x", v->x_m, v->nx)};
    h5put_attr_text(p, group, "signal", "phase");
    h5put_attr_texts(p, group, "axes", names, 2);
    put_plane(p, group, v, axes, "phase", H5T_NATIVE_UINT8, f->phase,
              "phase of the pixel, 0 = not used");
    put_plane(p, group, v, axes, "probability", H5T_NATIVE_FLOAT, f->probability,
              "probability of this phase");
    h5put_close(p, &axes[1]);
    h5put_close(p, &axes[0]);
    h5put_close(p, &group);
}

/* One number a phase. */
static void put_table(struct h5put *p, hid_t entry, const struct phases_file *f)
{
    const struct phases *ph = f->phases;
    const struct mixture *m = &ph->fit[ph->chosen - 1];
    const size_t k = (size_t)m->k;
    hid_t group = h5put_group(p, entry, "mixture", "NXcollection");
    h5put_attr_text(p, group, "comment",
                    "normal distributions of the natural logarithm of the map in SI units");
    h5put_text(p, group, "map", f->map);
    h5put_reals(p, group, "weight", m->weight, k, "1");
    h5put_reals(p, group, "weight_errors", ph->weight_se, k, "1");
    h5put_reals(p, group, "mean_of_logarithm", m->mean, k, "1");
    h5put_reals(p, group, "mean_of_logarithm_errors", ph->mean_se, k, "1");
    h5put_reals(p, group, "standard_deviation_of_logarithm", m->sd, k, "1");
    h5put_reals(p, group, "standard_deviation_of_logarithm_errors", ph->sd_se, k, "1");
    h5put_reals(p, group, "area_fraction", ph->fraction, k, "1");
    h5put_close(p, &group);
}

static void put_all(struct h5put *p, const struct phases_file *f)
{
    char now[40];
    text_time_now(now);
    hid_t root = p->st == ST_OK ? H5Gopen2(p->file, "/", H5P_DEFAULT) : H5I_INVALID_HID;
    if (root < 0) h5put_fail(p, "the root group");
    h5put_attr_text(p, root, "NX_class", "NXroot");
    h5put_attr_text(p, root, "default", "entry");
    h5put_attr_text(p, root, "creator", "cantle");
    h5put_attr_text(p, root, "creator_version", CANTLE_VERSION);
    h5put_attr_text(p, root, "file_time", now);
    hid_t entry = h5put_group(p, root, "entry", "NXentry");
    h5put_attr_text(p, entry, "default", "phases");
    h5put_text(p, entry, "title", f->view->title);
    h5put_text(p, entry, "source", f->view->path);
    h5put_text(p, entry, "source_digest", f->view->summary.digest);
    h5put_text(p, entry, "mask", f->mask ? f->mask : "");
    h5put_text(p, entry, "command_line", f->command_line);
    put_planes(p, entry, f);
    put_table(p, entry, f);
    h5put_close(p, &entry);
    h5put_close(p, &root);
}

enum status phases_file_write(const char *path, bool overwrite, const struct phases_file *f,
                              struct report *rep)
{
    struct whole_file w;
    struct h5put p = h5put_start(rep);
    enum status st = whole_begin(
        &w, path, f->view->path, overwrite,
        65536 + 5 * f->view->ny * f->view->nx + 8 * (f->view->ny + f->view->nx), rep);
    if (st != ST_OK) return st;
    h5put_quiet();
    hid_t access = h5put_access(), order = h5put_file_order(&p);
    if (p.st == ST_OK) p.file = H5Fcreate(w.part, H5F_ACC_TRUNC, order, access);
    if (p.file < 0) h5put_fail(&p, path);
    put_all(&p, f);
    h5put_close(&p, &order);
    if (access >= 0) H5Pclose(access);
    h5put_finish_file(&p);
    return whole_finish(&w, p.st, rep);
}
