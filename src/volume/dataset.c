#include "volume/attributes.h"
#include "volume/skeleton.h"
#include "volume/source.h"
#include "volume/storage.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Cache for the chunks that a tile cuts: enough for chunks of the recommended size, bounded always.
 */
static const size_t largest_cache = (size_t)64 << 20;

const char *number_name(enum number n)
{
    static const char *const names[] = {
#define N(name, ctype, h5, low, high) #name,
        NUMBER_LIST(N)
#undef N
            "int64"};
    return names[n];
}

size_t number_size(enum number n)
{
    static const size_t sizes[] = {
#define N(name, ctype, h5, low, high) sizeof(ctype),
        NUMBER_LIST(N)
#undef N
            sizeof(int64_t)};
    return sizes[n];
}

hid_t number_memory(enum number n)
{
    switch (n) {
#define N(name, ctype, h5, low, high)                                                              \
    case NUMBER_##name:                                                                            \
        return h5;
        NUMBER_LIST(N)
#undef N
    default:
        return H5T_NATIVE_INT64;
    }
}

void dataset_clear(struct dataset *d)
{
    memset(d, 0, sizeof *d);
    d->id = H5I_INVALID_HID;
}

void dataset_close(struct dataset *d)
{
    if (d->id >= 0) H5Dclose(d->id);
    dataset_clear(d);
}

void dataset_shape(const struct dataset *d, char out[112])
{
    size_t used = 0;
    for (int i = 0; i < d->rank; i++)
        used += (size_t)snprintf(out + used, 112 - used, "%s%zu", i ? "," : "[", d->dims[i]);
    snprintf(out + used, 112 - used, "%s", d->rank ? "]" : "a single number");
}

static bool number_from(hid_t type, enum number *out)
{
    size_t size = H5Tget_size(type);
    bool is_signed = H5Tget_sign(type) != H5T_SGN_NONE;
    H5T_class_t class = H5Tget_class(type);
    if (class == H5T_FLOAT && (size == 4 || size == 8))
        *out = size == 4 ? NUMBER_float32 : NUMBER_float64;
    else if (class == H5T_INTEGER && size == 1)
        *out = is_signed ? NUMBER_int8 : NUMBER_uint8;
    else if (class == H5T_INTEGER && size == 2)
        *out = is_signed ? NUMBER_int16 : NUMBER_uint16;
    else if (class == H5T_INTEGER && size == 4)
        *out = is_signed ? NUMBER_int32 : NUMBER_uint32;
    else if (class == H5T_INTEGER && size == 8)
        *out = NUMBER_int64;
    else
        return false;
    return true;
}

static enum status find_type(struct dataset *d, struct report *rep)
{
    hid_t type = H5Dget_type(d->id);
    if (type >= 0 && H5Tget_class(type) == H5T_ENUM) { /* truth values of some writers */
        hid_t base = H5Tget_super(type);
        H5Tclose(type);
        type = base;
    }
    H5T_class_t class = type < 0 ? H5T_NO_CLASS : H5Tget_class(type);
    bool good = type >= 0 && number_from(type, &d->number);
    if (type >= 0) H5Tclose(type);
    if (good) return ST_OK;
    return fail(rep, ST_INPUT, "holds %s, expected numbers (float or integer)",
                class == H5T_STRING     ? "text"
                : class == H5T_COMPOUND ? "compound records"
                : class == H5T_FLOAT || class == H5T_INTEGER
                    ? "numbers of a size that is not supported"
                    : "something else than numbers");
}

static enum status find_shape(struct dataset *d, struct report *rep)
{
    hsize_t dims[H5S_MAX_RANK] = {0};
    hid_t space = H5Dget_space(d->id);
    int rank = space < 0 ? -1 : H5Sget_simple_extent_ndims(space);
    bool empty = space >= 0 && H5Sget_simple_extent_type(space) == H5S_NULL;
    if (rank > 0) H5Sget_simple_extent_dims(space, dims, NULL);
    if (space >= 0) H5Sclose(space);
    if (rank < 0 || empty) return fail(rep, ST_INPUT, "has no size");
    if (rank > MOST_RANK)
        return fail(rep, ST_INPUT, "has %d dimensions, more than any of a volume", rank);
    size_t total = number_size(d->number);
    d->rank = rank;
    for (int i = 0; i < rank; i++) {
        d->dims[i] = (size_t)dims[i];
        if (__builtin_mul_overflow(total, d->dims[i] ? d->dims[i] : 1, &total))
            return fail(rep, ST_INPUT, "has a size that no file can hold");
    }
    return ST_OK;
}

static enum status check_filters(struct dataset *d, hid_t plist, struct report *rep)
{
    int n = H5Pget_nfilters(plist);
    for (int i = 0; i < n; i++) {
        unsigned flags, config;
        size_t n_values = 0;
        char name[64] = "";
        H5Z_filter_t id = H5Pget_filter2(plist, (unsigned)i, &flags, &n_values, NULL, sizeof name,
                                         name, &config);
        d->deflate |= id == H5Z_FILTER_DEFLATE;
        d->shuffle |= id == H5Z_FILTER_SHUFFLE;
        if (id < 0 || H5Zfilter_avail(id) <= 0)
            return fail(rep, ST_INPUT,
                        "is compressed with filter '%s' (%d), which is not available "
                        "here; store it with deflate or without compression",
                        name, (int)id);
    }
    return ST_OK;
}

static enum status check_chunks(struct dataset *d, hid_t plist, struct report *rep)
{
    hsize_t chunk[H5S_MAX_RANK] = {0};
    d->chunked = true;
    if (H5Pget_chunk(plist, d->rank, chunk) != d->rank)
        return fail(rep, ST_INPUT, "has chunks that cannot be read, the file is damaged");
    double bytes = (double)number_size(d->number);
    for (int i = 0; i < d->rank; i++) {
        d->chunk[i] = (size_t)chunk[i];
        bytes *= (double)chunk[i];
    }
    /* a compressed chunk is unpacked as a whole */
    if (H5Pget_nfilters(plist) > 0 && bytes > (double)LARGEST_BLOCK)
        return fail(rep, ST_INPUT,
                    "has compressed chunks of %.0f MiB, the largest that is read is "
                    "%zu MiB; store it in chunks of 0.25 to 4 MiB",
                    bytes / 1048576, LARGEST_BLOCK >> 20);
    return check_filters(d, plist, rep);
}

/* The samples must have been written, and lie where the file is. */
static enum status check_storage(struct dataset *d, uint64_t file_bytes, hid_t plist,
                                 struct report *rep)
{
    H5D_layout_t layout = H5Pget_layout(plist);
    d->stored_bytes = (uint64_t)H5Dget_storage_size(d->id);
    size_t values = 1;
    for (int i = 0; i < d->rank; i++)
        values *= d->dims[i];
    if (values == 0) return ST_OK;
    if (d->stored_bytes == 0)
        return fail(rep, ST_INPUT, "was created but never written: it holds no data");
    if (layout == H5D_CHUNKED) return check_chunks(d, plist, rep);
    haddr_t offset = H5Dget_offset(d->id);
    if (layout == H5D_CONTIGUOUS && offset != HADDR_UNDEF &&
        (d->stored_bytes > file_bytes || offset > file_bytes - d->stored_bytes))
        return fail(rep, ST_INPUT, "reaches beyond the end of the file, which is truncated");
    return ST_OK;
}

/* Enough for all chunks that one curve runs through, so that a chunk which several tiles cut is
 * unpacked once. HDF5 takes the size at the first opening. */
static enum status open_with_cache(struct dataset *d, hid_t access, struct report *rep)
{
    double bytes = (double)number_size(d->number), pieces = 1;
    for (int i = 0; i < d->rank; i++) {
        bytes *= (double)d->chunk[i];
        if (i >= 2) pieces *= ceil((double)d->dims[i] / (double)d->chunk[i]);
    }
    if (bytes * pieces > (double)largest_cache) return ST_OK;
    size_t cache = (size_t)(bytes * pieces);
    size_t slots = 100 * (size_t)pieces + 1;
    hid_t plist = H5Pcopy(access);
    if (plist < 0 || H5Pset_chunk_cache(plist, slots < 521 ? 521 : slots,
                                        cache < 1048576 ? 1048576 : cache, 1.0) < 0) {
        if (plist >= 0) H5Pclose(plist);
        return fail(rep, ST_BUG, "HDF5 cannot set the chunk cache");
    }
    hid_t file = H5Iget_file_id(d->id);
    H5Dclose(d->id);
    d->id = H5Dopen2(file, d->name, plist);
    H5Fclose(file);
    H5Pclose(plist);
    return d->id < 0 ? fail(rep, ST_INPUT, "cannot be opened") : ST_OK;
}

/* The numbers lie elsewhere, and so does what is to say of their storage. */
static void take_view(struct dataset *d, struct view *view)
{
    if (!view) return;
    d->view = view;
    d->chunked = view->chunk[0] > 0;
    d->deflate = view->deflate;
    d->shuffle = view->shuffle;
    d->stored_bytes = view->stored_bytes;
    memcpy(d->chunk, view->chunk, sizeof view->chunk);
}

enum status dataset_open(struct dataset *d, struct source *s, const char *name, struct report *rep)
{
    enum status st;
    bool there;
    hid_t plist = H5I_INVALID_HID;
    dataset_clear(d);
    if ((st = source_has(s, name, &there, rep)) != ST_OK) return st;
    if (!there) return fail(rep, ST_INPUT, "%s: is missing", name);
    snprintf(d->name, sizeof d->name, "%s", name);
    d->id = H5Dopen2(s->file, name, s->access);
    plist = d->id < 0 ? H5I_INVALID_HID : H5Dget_create_plist(d->id);
    if (plist < 0) {
        st = fail(rep, ST_INPUT, "is not a dataset of numbers");
        goto done;
    }
    if (!s->skeleton && (st = storage_check(d->id, rep)) != ST_OK) goto done;
    if ((st = find_type(d, rep)) != ST_OK || (st = find_shape(d, rep)) != ST_OK) goto done;
    if (s->skeleton) {
        take_view(d, skeleton_view(s->skeleton, name));
        goto done;
    }
    if ((st = check_storage(d, s->bytes, plist, rep)) != ST_OK) goto done;
    if (d->chunked && d->rank >= 3) st = open_with_cache(d, s->access, rep);
done:
    if (plist >= 0) H5Pclose(plist);
    if (st != ST_OK) dataset_close(d);
    return st == ST_OK ? st : within(rep, st, "%s: ", name);
}

/* HDF5 clears a buffer of 1 MiB for each read that converts numbers, also for the masks of a few
 * pixels: one that is as large as the numbers are. */
static hid_t small_buffer(size_t n)
{
    const size_t usual = (size_t)1 << 20, bytes = n * sizeof(double);
    hid_t how = bytes > 0 && bytes < usual ? H5Pcreate(H5P_DATASET_XFER) : H5P_DEFAULT;
    if (how > 0) H5Pset_buffer(how, bytes, NULL, NULL);
    return how;
}

enum status dataset_read(const struct dataset *d, const size_t *start, const size_t *count,
                         hid_t memory, void *out, struct report *rep)
{
    hsize_t from[MOST_RANK], size[MOST_RANK];
    if (d->view) return d->view->read(d->view, start, count, out, rep);
    size_t n = 1;
    for (int i = 0; i < d->rank; i++) {
        from[i] = start[i];
        size[i] = count[i];
        n *= count[i];
    }
    bool scalar = d->rank == 0, good = true;
    hid_t there = H5Dget_space(d->id), how = small_buffer(n);
    hid_t here = scalar ? H5Screate(H5S_SCALAR) : H5Screate_simple(d->rank, size, NULL);
    if (there >= 0 && !scalar)
        good = H5Sselect_hyperslab(there, H5S_SELECT_SET, from, NULL, size, NULL) >= 0;
    good = good && there >= 0 && here >= 0 && how >= 0 &&
           H5Dread(d->id, memory, here, there, how, out) >= 0;
    if (how > 0) H5Pclose(how);
    if (here >= 0) H5Sclose(here);
    if (there >= 0) H5Sclose(there);
    return good ? ST_OK
                : fail(rep, ST_INPUT,
                       "%s: cannot be read, the file is damaged or was changed "
                       "meanwhile",
                       d->name);
}

enum status dataset_units(const struct dataset *d, const char *si_unit, struct unit_scale *out,
                          char *text, size_t size, struct report *rep)
{
    char unit[128];
    enum status st = attribute_text(d->id, "units", unit, sizeof unit, rep);
    if (text) snprintf(text, size, "%s", unit);
    if (st == ST_OK && !attribute_there(d->id, "units"))
        st = fail(rep, ST_INPUT, "has no attribute 'units', expected one like '%s'", si_unit);
    if (st == ST_OK) st = units_scale(unit, si_unit, out, rep);
    return st == ST_OK ? st : within(rep, st, "%s: ", d->name);
}

enum status dataset_scalar(const struct dataset *d, const char *si_unit, double *out,
                           double *factor, struct report *rep)
{
    struct unit_scale scale;
    double value = NAN;
    size_t zero[MOST_RANK] = {0}, one[MOST_RANK] = {1, 1, 1, 1, 1, 1};
    for (int i = 0; i < d->rank; i++)
        if (d->dims[i] != 1) return fail(rep, ST_INPUT, "%s: expected a single number", d->name);
    enum status st = dataset_units(d, si_unit, &scale, NULL, 0, rep);
    if (st == ST_OK) st = dataset_read(d, zero, one, H5T_NATIVE_DOUBLE, &value, rep);
    if (st != ST_OK) return st;
    *out = scale.factor * value + scale.offset;
    if (factor) *factor = scale.factor;
    return isfinite(*out) ? ST_OK : fail(rep, ST_INPUT, "%s: is not a finite number", d->name);
}
