#include "maps/h5put.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/resource.h>
#include <unistd.h>

void h5put_quiet(void)
{
    H5Eset_auto2(H5E_DEFAULT, NULL, NULL);
}

hid_t h5put_access(void)
{
    hid_t access = H5Pcreate(H5P_FILE_ACCESS);
    if (access >= 0 && H5Pset_file_locking(access, false, true) >= 0 &&
        H5Pset_alignment(access, 2048, 4096) >= 0)
        return access;
    if (access >= 0) H5Pclose(access);
    return H5I_INVALID_HID;
}

hid_t h5put_open(const char *path)
{
    hid_t access = h5put_access();
    hid_t file = access >= 0 ? H5Fopen(path, H5F_ACC_RDONLY, access) : H5I_INVALID_HID;
    if (access >= 0) H5Pclose(access);
    return file;
}

struct cause {
    char *out;
    size_t size;
    int from_system;
};

/* Innermost entry first. The file driver puts strerror's words into its description. */
static herr_t look_for_cause(unsigned n, const H5E_error2_t *entry, void *data)
{
    struct cause *cause = data;
    const char *begin = entry->desc ? strstr(entry->desc, "error message = '") : NULL;
    if (begin && !cause->from_system) {
        begin += strlen("error message = '");
        snprintf(cause->out, cause->size, "%.*s", (int)strcspn(begin, "'"), begin);
        cause->from_system = 1;
    } else if (n == 0) {
        snprintf(cause->out, cause->size, "HDF5: %s", entry->desc ? entry->desc : "unknown error");
    }
    return 0;
}

void h5put_cause(char *out, size_t size)
{
    struct cause cause = {out, size, 0};
    snprintf(out, size, "HDF5 gives no reason");
    H5Ewalk2(H5E_DEFAULT, H5E_WALK_UPWARD, look_for_cause, &cause);
}

/* The soft file size limit counts for memory files too, so it is lifted as far as allowed. */
static void point_at_memory(hid_t file)
{
    if (file < 0) return;
    void *handle = NULL;
    struct rlimit limit;
    int memory = memfd_create("cantle-abandoned", MFD_CLOEXEC);
    if (getrlimit(RLIMIT_FSIZE, &limit) == 0) {
        limit.rlim_cur = limit.rlim_max;
        setrlimit(RLIMIT_FSIZE, &limit);
    }
    if (memory >= 0 && H5Fget_vfd_handle(file, H5P_DEFAULT, &handle) >= 0 && handle)
        dup2(memory, *(int *)handle);
    if (memory >= 0) close(memory);
}

void h5put_fail(struct h5put *p, const char *what)
{
    char cause[256];
    if (p->st != ST_OK) return;
    h5put_cause(cause, sizeof cause);
    p->st = fail(p->rep, ST_OUTPUT, "%s cannot be written: %s", what, cause);
    point_at_memory(p->file);
}

/* Fixed length, no terminator: C, h5py and netCDF all read the text and nothing after it. */
static hid_t text_type(size_t length)
{
    hid_t type = H5Tcopy(H5T_C_S1);
    if (type < 0) return type;
    if (H5Tset_size(type, length > 0 ? length : 1) < 0 ||
        H5Tset_strpad(type, H5T_STR_NULLPAD) < 0 || H5Tset_cset(type, H5T_CSET_UTF8) < 0) {
        H5Tclose(type);
        return H5I_INVALID_HID;
    }
    return type;
}

static void put_attr(struct h5put *p, hid_t object, const char *name, hid_t type, hid_t space,
                     const void *values)
{
    hid_t attr = H5I_INVALID_HID;
    if (type >= 0 && space >= 0)
        attr = H5Acreate2(object, name, type, space, H5P_DEFAULT, H5P_DEFAULT);
    if (attr < 0 || H5Awrite(attr, type, values) < 0) h5put_fail(p, name);
    h5put_close(p, &attr);
}

void h5put_attr_text(struct h5put *p, hid_t object, const char *name, const char *text)
{
    if (p->st != ST_OK) return;
    hid_t type = text_type(strlen(text)), space = H5Screate(H5S_SCALAR);
    put_attr(p, object, name, type, space, text);
    h5put_close(p, &space);
    h5put_close(p, &type);
}

/* Texts side by side, each as wide as the longest; caller frees. NULL after a failure. */
static char *pack_texts(struct h5put *p, const char *name, const char *const *texts, size_t n,
                        size_t *width)
{
    *width = 1;
    if (p->st != ST_OK) return NULL;
    for (size_t i = 0; i < n; i++)
        if (strlen(texts[i]) > *width) *width = strlen(texts[i]);
    char *all = calloc(n, *width);
    if (!all) p->st = fail(p->rep, ST_MEMORY, "not enough memory to write %s", name);
    for (size_t i = 0; i < n && all; i++)
        memcpy(all + i * *width, texts[i], strlen(texts[i]));
    return all;
}

void h5put_attr_texts(struct h5put *p, hid_t object, const char *name, const char *const *texts,
                      size_t n)
{
    size_t width;
    char *all = pack_texts(p, name, texts, n, &width);
    if (!all) return;
    hsize_t dims[1] = {n};
    hid_t type = text_type(width), space = H5Screate_simple(1, dims, NULL);
    put_attr(p, object, name, type, space, all);
    h5put_close(p, &space);
    h5put_close(p, &type);
    free(all);
}

void h5put_attr_numbers(struct h5put *p, hid_t object, const char *name, hid_t type,
                        const void *values, size_t n)
{
    if (p->st != ST_OK) return;
    hsize_t dims[1] = {n};
    hid_t space = n ? H5Screate_simple(1, dims, NULL) : H5Screate(H5S_SCALAR);
    put_attr(p, object, name, type, space, values);
    h5put_close(p, &space);
}

static hid_t keep_order(struct h5put *p, hid_t kind)
{
    if (p->st != ST_OK) return H5I_INVALID_HID;
    hid_t order = H5Pcreate(kind);
    if (order < 0 ||
        H5Pset_link_creation_order(order, H5P_CRT_ORDER_TRACKED | H5P_CRT_ORDER_INDEXED) < 0 ||
        H5Pset_obj_track_times(order, 0) < 0)
        h5put_fail(p, "the file");
    return order;
}

hid_t h5put_file_order(struct h5put *p)
{
    return keep_order(p, H5P_FILE_CREATE);
}

hid_t h5put_group(struct h5put *p, hid_t parent, const char *name, const char *nx_class)
{
    hid_t order = keep_order(p, H5P_GROUP_CREATE);
    if (p->st != ST_OK) return H5I_INVALID_HID;
    hid_t group = H5Gcreate2(parent, name, H5P_DEFAULT, order, H5P_DEFAULT);
    if (group < 0) h5put_fail(p, name);
    h5put_attr_text(p, group, "NX_class", nx_class);
    h5put_close(p, &order);
    return group;
}

/* Numbers and texts so small that they stand in the head of their dataset: written with it, neither
 * a place of their own in the file nor a write of their own. */
static bool is_small(hid_t dcpl, hid_t space, hid_t type, const void *values)
{
    const uint64_t most = 8192; /* HDF5 has room for 64 KiB */
    return values && H5Pget_layout(dcpl) == H5D_CONTIGUOUS &&
           (uint64_t)H5Sget_simple_extent_npoints(space) * H5Tget_size(type) <= most;
}

hid_t h5put_array(struct h5put *p, hid_t parent, const char *name, hid_t type, int rank,
                  const hsize_t *dims, hid_t dcpl, const void *values)
{
    if (p->st != ST_OK) return H5I_INVALID_HID;
    hid_t set = H5I_INVALID_HID;
    hid_t plain = dcpl == H5P_DEFAULT ? H5Pcreate(H5P_DATASET_CREATE) : H5Pcopy(dcpl);
    hid_t space = rank ? H5Screate_simple(rank, dims, NULL) : H5Screate(H5S_SCALAR);
    bool good = plain >= 0 && space >= 0 && H5Pset_obj_track_times(plain, 0) >= 0,
         small = good && is_small(plain, space, type, values);
    if (small) good = H5Pset_layout(plain, H5D_COMPACT) >= 0;
    if (good) set = H5Dcreate2(parent, name, type, space, H5P_DEFAULT, plain, H5P_DEFAULT);
    if (set < 0 || (values && H5Dwrite(set, type, H5S_ALL, H5S_ALL, H5P_DEFAULT, values) < 0))
        h5put_fail(p, name);
    /* a chunk that cannot be written must be met here, not when the dataset is closed */
    if (p->st == ST_OK && values && !small && H5Dflush(set) < 0) h5put_fail(p, name);
    h5put_close(p, &space);
    h5put_close(p, &plain);
    if (p->after_each) p->after_each(p->what);
    return set;
}

/* A scalar dataset, closed. H5P_DEFAULT cannot be copied, hence a list of its own. */
static void put_scalar(struct h5put *p, hid_t parent, const char *name, hid_t type,
                       const void *value, const char *units)
{
    if (p->st != ST_OK) return;
    hid_t dcpl = H5Pcreate(H5P_DATASET_CREATE);
    if (dcpl < 0) h5put_fail(p, name);
    hid_t set = h5put_array(p, parent, name, type, 0, NULL, dcpl, value);
    if (units) h5put_attr_text(p, set, "units", units);
    h5put_close(p, &set);
    h5put_close(p, &dcpl);
}

void h5put_text(struct h5put *p, hid_t parent, const char *name, const char *text)
{
    if (p->st != ST_OK) return;
    hid_t type = text_type(strlen(text));
    if (type < 0) h5put_fail(p, name);
    put_scalar(p, parent, name, type, text, NULL);
    h5put_close(p, &type);
}

static void put_list(struct h5put *p, hid_t parent, const char *name, hid_t type,
                     const void *values, size_t n, const char *units)
{
    const hsize_t dims[1] = {n};
    if (p->st != ST_OK) return;
    hid_t dcpl = H5Pcreate(H5P_DATASET_CREATE);
    if (dcpl < 0) h5put_fail(p, name);
    hid_t set = h5put_array(p, parent, name, type, 1, dims, dcpl, values);
    if (units) h5put_attr_text(p, set, "units", units);
    h5put_close(p, &set);
    h5put_close(p, &dcpl);
}

void h5put_texts(struct h5put *p, hid_t parent, const char *name, const char *const *texts,
                 size_t n)
{
    size_t width;
    char *all = pack_texts(p, name, texts, n, &width);
    if (!all) return;
    hid_t type = text_type(width);
    if (type < 0) h5put_fail(p, name);
    put_list(p, parent, name, type, all, n, NULL);
    h5put_close(p, &type);
    free(all);
}

void h5put_reals(struct h5put *p, hid_t parent, const char *name, const double *values, size_t n,
                 const char *units)
{
    put_list(p, parent, name, H5T_NATIVE_DOUBLE, values, n, units);
}

void h5put_real(struct h5put *p, hid_t parent, const char *name, double value, const char *units)
{
    put_scalar(p, parent, name, H5T_NATIVE_DOUBLE, &value, units);
}

void h5put_integer(struct h5put *p, hid_t parent, const char *name, int32_t value)
{
    put_scalar(p, parent, name, H5T_NATIVE_INT32, &value, NULL);
}

void h5put_count(struct h5put *p, hid_t parent, const char *name, uint64_t value)
{
    put_scalar(p, parent, name, H5T_NATIVE_UINT64, &value, "1");
}

void h5put_close(struct h5put *p, hid_t *object)
{
    if (*object < 0) return;
    H5I_type_t kind = H5Iget_type(*object);
    herr_t rc = kind == H5I_GENPROP_LST ? H5Pclose(*object)
                : kind == H5I_DATASPACE ? H5Sclose(*object)
                : kind == H5I_ATTR      ? H5Aclose(*object)
                : kind == H5I_DATATYPE  ? H5Tclose(*object)
                                        : H5Oclose(*object);
    if (rc < 0) h5put_fail(p, "the file");
    *object = H5I_INVALID_HID;
}

void h5put_finish_file(struct h5put *p)
{
    void *handle = NULL;
    if (p->file < 0) return;
    if (p->st == ST_OK && (H5Fflush(p->file, H5F_SCOPE_GLOBAL) < 0 ||
                           H5Fget_vfd_handle(p->file, H5P_DEFAULT, &handle) < 0 || !handle))
        h5put_fail(p, "the file");
    if (p->st == ST_OK && !p->synced_later && fsync(*(int *)handle) != 0)
        p->st = fail(p->rep, ST_OUTPUT, "the file cannot be written: %m");
    hid_t file = p->file;
    p->file = H5I_INVALID_HID;
    if (H5Fclose(file) < 0) h5put_fail(p, "the file");
}
