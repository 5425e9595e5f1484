#include "volume/volume_write.h"
#include "volume/put.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* A chunk holds whole curves of one row, up to this size. */
static const size_t chunk_bytes = (size_t)1 << 20;

struct volume_writer {
    struct volume_layout layout;
    char *path, *part;
    hid_t file, signal[SEG_COUNT]; /* H5I_INVALID_HID: not there */
    void *row;                     /* [nx,n] as stored */
    bool created;                  /* the .part file is ours */
};

static const char *const groups[SEG_COUNT] = {"approach", "dwell", "retract"};

static size_t samples_of(const struct volume_layout *l, enum segment_id id)
{
    return id == SEG_DWELL ? l->dwell : l->n;
}

static enum status put_failed(const char *what, struct report *rep)
{
    return fail(rep, ST_OUTPUT, "%s cannot be written; is the disk full?", what);
}

/* `values` as numbers with a unit; u < 0 or NaN: no uncertainty. */
static enum status put(struct volume_writer *w, const char *name, int rank, const hsize_t *dims,
                       const double *values, const char *unit, double u, struct report *rep)
{
    return put_values(w->file, name, rank, dims, values, unit, u) ? ST_OK : put_failed(name, rep);
}

static enum status put_grid(struct volume_writer *w, struct report *rep)
{
    const struct volume_layout *l = &w->layout;
    enum status st = ST_OK;
    for (int axis = 0; axis < 2 && st == ST_OK; axis++) {
        hsize_t n = axis ? l->ny : l->nx;
        double *position = malloc(n * sizeof *position);
        if (!position) return fail(rep, ST_MEMORY, "not enough memory for the grid");
        for (size_t i = 0; i < n; i++)
            position[i] = (double)i * l->pixel_m * 1e6;
        st = put(w, axis ? "/grid/y" : "/grid/x", 1, &n, position, "um", NAN, rep);
        free(position);
    }
    return st;
}

static enum status put_calibration(struct volume_writer *w, struct report *rep)
{
    char name[64];
    enum status st = ST_OK;
    for (int i = 0; i < LEVER_COUNT && st == ST_OK; i++) {
        const struct known *k = &w->layout.lever.item[i];
        if (!isfinite(k->value)) continue;
        snprintf(name, sizeof name, "/calibration/%s", lever_rows[i].name);
        st = put(w, name, 0, NULL, &k->value, lever_rows[i].si_unit, k->u, rep);
    }
    return st;
}

static enum status put_ramps(struct volume_writer *w, struct report *rep)
{
    const struct volume_layout *l = &w->layout;
    enum status st = ST_OK;
    hsize_t n = l->n;
    double step = l->ramp_m / (double)(l->n - 1);
    double begin = l->shared_is_offset ? 0 : l->start_m;
    double *z = malloc((l->n + l->dwell) * sizeof *z), none = 0;
    if (!z) return fail(rep, ST_MEMORY, "not enough memory for a ramp of %zu samples", l->n);
    if (l->z_kind == Z_START_STEP) {
        double each[2] = {l->z_sense * step, -l->z_sense * step};
        st = put(w, "/approach/z_step", 0, NULL, &each[0], "m", NAN, rep);
        if (st == ST_OK) st = put(w, "/retract/z_step", 0, NULL, &each[1], "m", NAN, rep);
        if (st == ST_OK && l->dwell) st = put(w, "/dwell/z_step", 0, NULL, &none, "m", NAN, rep);
        goto done;
    }
    for (size_t i = 0; i < l->n; i++)
        z[i] = l->z_sense * (begin + (double)i * step);
    st = put(w, "/approach/z", 1, &n, z, "m", NAN, rep);
    for (size_t i = 0; i < l->n; i++)
        z[i] = l->z_sense * (begin + (double)(l->n - 1 - i) * step);
    if (st == ST_OK) st = put(w, "/retract/z", 1, &n, z, "m", NAN, rep);
    n = l->dwell;
    for (size_t i = 0; i < l->dwell; i++)
        z[i] = l->z_sense * (begin + l->ramp_m);
    if (st == ST_OK && n) st = put(w, "/dwell/z", 1, &n, z, "m", NAN, rep);
done:
    free(z);
    return st;
}

static hid_t stored_type(enum number type)
{
    return type == NUMBER_int16     ? H5T_STD_I16LE
           : type == NUMBER_float32 ? H5T_IEEE_F32LE
                                    : H5T_IEEE_F64LE;
}

static bool set_storage(hid_t how, const struct volume_layout *l, size_t n)
{
    size_t curve = n * number_size(l->type), curves = chunk_bytes / curve;
    hsize_t chunk[3] = {1, curves < 1 ? 1 : curves > l->nx ? l->nx : curves, n};
    if (l->storage == STORAGE_CONTIGUOUS) return H5Pset_alloc_time(how, H5D_ALLOC_TIME_EARLY) >= 0;
    if (H5Pset_chunk(how, 3, chunk) < 0) return false;
    return l->storage == STORAGE_CHUNKED ||
           (H5Pset_shuffle(how) >= 0 && H5Pset_deflate(how, 4) >= 0);
}

static enum status make_signal(struct volume_writer *w, enum segment_id id, struct report *rep)
{
    const struct volume_layout *l = &w->layout;
    char name[64], interval[64];
    hsize_t dims[3] = {l->ny, l->nx, samples_of(l, id)};
    hid_t *out = &w->signal[id];
    if (dims[2] == 0) return ST_OK;
    snprintf(name, sizeof name, "/%s/signal", groups[id]);
    snprintf(interval, sizeof interval, "/%s/sample_interval", groups[id]);
    hid_t how = H5Pcreate(H5P_DATASET_CREATE);
    if (how >= 0 && set_storage(how, l, dims[2]))
        *out = put_dataset(w->file, name, stored_type(l->type), 3, dims, how);
    if (how >= 0) H5Pclose(how);
    bool good = *out >= 0 && put_text(*out, "units", "V") && put_text(*out, "stage", "detector");
    if (good && l->type == NUMBER_int16)
        good = put_number(*out, "scale_factor", l->volt_range / INT16_MAX) &&
               put_number(*out, "add_offset", 0.0);
    if (!good) return put_failed(name, rep);
    return put(w, interval, 0, NULL, &l->sample_interval_s, "s", NAN, rep);
}

static enum status create_file(struct volume_writer *w, bool overwrite, struct report *rep)
{
    H5Eset_auto2(H5E_DEFAULT, NULL, NULL);
    if (!overwrite && access(w->path, F_OK) == 0)
        return fail(rep, ST_OUTPUT, "exists already; give another name or --overwrite");
    if (!overwrite && access(w->part, F_OK) == 0)
        return fail(rep, ST_OUTPUT,
                    "'%s' is left from a run that was stopped, or still runs; remove "
                    "it or give --overwrite",
                    w->part);
    /* a new file always: in a folder that others write to, the name may be a link to elsewhere */
    if (overwrite) unlink(w->part);
    int probe = open(w->part, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    if (probe < 0) return fail(rep, ST_OUTPUT, "cannot be created: %s", strerror(errno));
    close(probe);
    w->created = true;
    w->file = H5Fcreate(w->part, H5F_ACC_TRUNC, H5P_DEFAULT, H5P_DEFAULT);
    return w->file < 0 ? fail(rep, ST_OUTPUT, "cannot be created by HDF5") : ST_OK;
}

enum status volume_write_begin(struct volume_writer **out, const char *path, bool overwrite,
                               const struct volume_layout *layout, struct report *rep)
{
    enum status st = ST_OK;
    struct volume_writer *w = calloc(1, sizeof *w);
    if (w) w->file = H5I_INVALID_HID;
    for (int id = 0; w && id < SEG_COUNT; id++)
        w->signal[id] = H5I_INVALID_HID;
    size_t longest = layout->n > layout->dwell ? layout->n : layout->dwell;
    if (!w || !(w->path = strdup(path)) || asprintf(&w->part, "%s.part", path) < 0 ||
        !(w->row = malloc(layout->nx * longest * number_size(layout->type)))) {
        st = fail(rep, ST_MEMORY, "not enough memory to write it");
        goto done;
    }
    w->layout = *layout;
    if ((st = create_file(w, overwrite, rep)) != ST_OK) goto done;
    if (!put_text(w->file, "layout", "cantle-volume-1") ||
        !put_text(w->file, "title", layout->title)) {
        st = put_failed("the title", rep);
        goto done;
    }
    for (int id = 0; id < SEG_COUNT && st == ST_OK; id++)
        st = make_signal(w, (enum segment_id)id, rep);
    if (st != ST_OK || (st = put_ramps(w, rep)) != ST_OK || (st = put_grid(w, rep)) != ST_OK)
        goto done;
    st = put_calibration(w, rep);
done:
    if (st != ST_OK) {
        volume_write_drop(&w);
        st = within(rep, st, "%s: ", path);
    }
    *out = w;
    return st;
}

static void pack(const struct volume_layout *l, const double *volts, size_t n, void *row)
{
    int16_t *whole = row;
    float *single = row;
    if (l->type == NUMBER_int16)
        for (size_t i = 0; i < n; i++) {
            double v = nearbyint(volts[i] * INT16_MAX / l->volt_range);
            whole[i] = (int16_t)fmin(fmax(v, INT16_MIN), INT16_MAX);
        }
    else if (l->type == NUMBER_float32)
        for (size_t i = 0; i < n; i++)
            single[i] = (float)volts[i];
    else
        memcpy(row, volts, n * sizeof *volts);
}

static bool put_row(struct volume_writer *w, enum segment_id id, size_t row, const double *volts)
{
    size_t n = samples_of(&w->layout, id);
    hsize_t start[3] = {row, 0, 0}, count[3] = {1, w->layout.nx, n};
    hid_t set = w->signal[id];
    hid_t there = H5Dget_space(set), here = H5Screate_simple(3, count, NULL);
    pack(&w->layout, volts, w->layout.nx * n, w->row);
    bool good = there >= 0 && here >= 0 &&
                H5Sselect_hyperslab(there, H5S_SELECT_SET, start, NULL, count, NULL) >= 0 &&
                H5Dwrite(set, number_memory(w->layout.type), here, there, H5P_DEFAULT, w->row) >= 0;
    if (here >= 0) H5Sclose(here);
    if (there >= 0) H5Sclose(there);
    return good;
}

enum status volume_write_row(struct volume_writer *w, size_t row, const double *approach_v,
                             const double *dwell_v, const double *retract_v, struct report *rep)
{
    const double *volts[SEG_COUNT] = {approach_v, dwell_v, retract_v};
    for (int id = 0; id < SEG_COUNT; id++)
        if (w->signal[id] >= 0 && !put_row(w, (enum segment_id)id, row, volts[id]))
            return within(rep, put_failed("a row of curves", rep), "%s: ", w->path);
    return ST_OK;
}

enum status volume_write_pixels(struct volume_writer *w, const char *name, const char *unit,
                                const char *long_name, bool whole, const double *values,
                                struct report *rep)
{
    hsize_t dims[2] = {w->layout.ny, w->layout.nx};
    hid_t set = put_dataset(w->file, name, whole ? H5T_STD_U8LE : H5T_IEEE_F64LE, 2, dims,
                            H5P_DEFAULT);
    bool good = set >= 0 &&
                H5Dwrite(set, H5T_NATIVE_DOUBLE, H5S_ALL, H5S_ALL, H5P_DEFAULT, values) >= 0 &&
                (whole || put_text(set, "units", unit)) && put_text(set, "long_name", long_name);
    if (set >= 0 && H5Dclose(set) < 0) good = false;
    return good ? ST_OK : within(rep, put_failed(name, rep), "%s: ", w->path);
}

enum status volume_write_ends(struct volume_writer *w, const double *z_end_m, struct report *rep)
{
    const struct volume_layout *l = &w->layout;
    size_t pixels = l->ny * l->nx;
    enum status st = ST_OK;
    if (l->z_kind == Z_SHARED && !l->shared_is_offset) return ST_OK;
    double *begin = malloc(pixels * sizeof *begin), *end = malloc(pixels * sizeof *end);
    if (!begin || !end) {
        st = fail(rep, ST_MEMORY, "%s: not enough memory for %zu pixels", w->path, pixels);
        goto done;
    }
    for (size_t i = 0; i < pixels; i++) {
        begin[i] = l->z_sense * (z_end_m[i] - l->ramp_m);
        end[i] = l->z_sense * z_end_m[i];
    }
    if (l->z_kind == Z_SHARED) {
        st = volume_write_pixels(w, "/grid/z_offset", "m", "start of the ramp of each pixel", false,
                                 begin, rep);
        goto done;
    }
    st = volume_write_pixels(w, "/approach/z_start", "m", "start of the approach", false, begin,
                             rep);
    if (st == ST_OK)
        st = volume_write_pixels(w, "/retract/z_start", "m", "start of the retract", false, end,
                                 rep);
    if (st == ST_OK && l->dwell)
        st = volume_write_pixels(w, "/dwell/z_start", "m", "where z is held", false, end, rep);
done:
    free(begin);
    free(end);
    return st;
}

static bool close_all(struct volume_writer *w)
{
    bool good = true;
    for (int id = 0; id < SEG_COUNT; id++) {
        if (w->signal[id] >= 0) good &= H5Dclose(w->signal[id]) >= 0;
        w->signal[id] = H5I_INVALID_HID;
    }
    if (w->file >= 0) good &= H5Fclose(w->file) >= 0;
    w->file = H5I_INVALID_HID;
    return good;
}

static void release(struct volume_writer **w)
{
    free((*w)->row);
    free((*w)->part);
    free((*w)->path);
    free(*w);
    *w = NULL;
}

static bool make_durable(const char *path)
{
    int fd = open(path, O_RDONLY);
    bool good = fd >= 0 && fsync(fd) == 0;
    if (fd >= 0) close(fd);
    return good;
}

enum status volume_write_end(struct volume_writer **w, struct report *rep)
{
    enum status st = ST_OK;
    if (!close_all(*w) || !make_durable((*w)->part))
        st = within(rep, put_failed("the file", rep), "%s: ", (*w)->path);
    else if (rename((*w)->part, (*w)->path) != 0)
        st = fail(rep, ST_OUTPUT, "%s: '%s' cannot be renamed: %s", (*w)->path, (*w)->part,
                  strerror(errno));
    if (st != ST_OK)
        volume_write_drop(w);
    else
        release(w);
    return st;
}

void volume_write_drop(struct volume_writer **w)
{
    if (!*w) return;
    close_all(*w);
    if ((*w)->created) unlink((*w)->part);
    release(w);
}
