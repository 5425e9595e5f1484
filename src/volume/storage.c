#include "volume/storage.h"

#include <math.h>

/* Chunks that any file may have, there or not: looking up a million takes a second or so. */
static const double free_chunks = 1 << 20;
/* The index of a chunk, alone, takes no less of a file. */
static const double smallest_entry = 8;
/* deflate packs at most 1032 to 1 (zlib's technical details, zlib.net/zlib_tech.html). */
static const double tightest = 1032;
/* Room for the last chunk, which may reach beyond the dataset, and for texts of a few bytes. */
static const double slack = 65536;

static double file_bytes(hid_t set)
{
    hsize_t size = 0;
    hid_t file = H5Iget_file_id(set);
    if (file < 0 || H5Fget_filesize(file, &size) < 0) size = 0;
    if (file >= 0) H5Fclose(file);
    return (double)size;
}

/* Numbers in a dataset; 0 when it has no size. dims: [H5S_MAX_RANK] */
static double count_of(hid_t set, hsize_t *dims, int *rank)
{
    double n = 1;
    hid_t space = H5Dget_space(set);
    *rank = space < 0 || H5Sget_simple_extent_type(space) == H5S_NULL
                ? -1
                : H5Sget_simple_extent_dims(space, dims, NULL);
    if (space >= 0) H5Sclose(space);
    for (int i = 0; i < *rank; i++)
        n *= (double)dims[i];
    return *rank < 0 ? 0 : n;
}

/* What its size and type need, unpacked. */
static double bytes_of(hid_t set)
{
    hsize_t dims[H5S_MAX_RANK] = {0};
    int rank;
    hid_t type = H5Dget_type(set);
    double bytes = count_of(set, dims, &rank) * (type < 0 ? 0 : (double)H5Tget_size(type));
    if (type >= 0) H5Tclose(type);
    return bytes;
}

/* HDF5 believes the index how long a chunk is, and reads as much as the shape says. */
static bool chunks_are_whole(hid_t set, const hsize_t *chunk, int rank)
{
    hsize_t stored = 0;
    hid_t space = H5Dget_space(set), type = H5Dget_type(set);
    double bytes = type < 0 ? 0 : (double)H5Tget_size(type);
    bool known = space >= 0 && H5Dget_num_chunks(set, space, &stored) >= 0;
    if (space >= 0) H5Sclose(space);
    if (type >= 0) H5Tclose(type);
    for (int i = 0; i < rank; i++)
        bytes *= (double)chunk[i];
    return known && (double)H5Dget_storage_size(set) == bytes * (double)stored;
}

static enum status check_chunks(hid_t set, hid_t plist, struct report *rep)
{
    hsize_t dims[H5S_MAX_RANK] = {0}, chunk[H5S_MAX_RANK] = {0};
    int rank;
    double chunks = count_of(set, dims, &rank) > 0;
    int n = H5Pget_nfilters(plist);
    H5Z_filter_t seen[H5Z_MAX_NFILTERS];
    if (n < 0 || n > H5Z_MAX_NFILTERS || (rank > 0 && H5Pget_chunk(plist, rank, chunk) != rank))
        return fail(rep, ST_INPUT, "has chunks that cannot be read, the file is damaged");
    for (int i = 0; i < n; i++) {
        size_t values = 0;
        seen[i] = H5Pget_filter2(plist, (unsigned)i, NULL, &values, NULL, 0, NULL, NULL);
        if (seen[i] < H5Z_FILTER_RESERVED && seen[i] != H5Z_FILTER_DEFLATE &&
            seen[i] != H5Z_FILTER_SHUFFLE && seen[i] != H5Z_FILTER_FLETCHER32)
            return fail(rep, ST_INPUT,
                        "is packed with filter %d (szip 4, nbit 5, scaleoffset 6), which is not "
                        "read; store it with deflate or without compression",
                        (int)seen[i]);
        for (int k = 0; k < i; k++)
            if (seen[k] == seen[i])
                return fail(rep, ST_INPUT, "passes filter %d twice; store it with deflate, once",
                            (int)seen[i]);
    }
    for (int i = 0; i < rank; i++)
        chunks *= ceil((double)dims[i] / (double)(chunk[i] ? chunk[i] : 1));
    if (n == 0 && !chunks_are_whole(set, chunk, rank))
        return fail(rep, ST_INPUT, "has chunks of another size than it says, the file is damaged");
    if (chunks > free_chunks && chunks > file_bytes(set) / smallest_entry)
        return fail(rep, ST_INPUT,
                    "is cut into %.3g chunks, more than a file of this size can hold; most of "
                    "it was never written",
                    chunks);
    return ST_OK;
}

/* HDF5 takes the room that a compact dataset says it has for what its size needs. */
static enum status check_room(hid_t set, struct report *rep)
{
    double stored = (double)H5Dget_storage_size(set), bytes = bytes_of(set);
    /* nothing at all: never written, reads as the fill value */
    return stored == 0 || stored >= bytes
               ? ST_OK
               : fail(rep, ST_INPUT, "needs %.0f bytes for its size, but only %.0f are stored",
                      bytes, stored);
}

enum status storage_check(hid_t set, struct report *rep)
{
    enum status st = ST_OK;
    hid_t plist = H5Dget_create_plist(set);
    H5D_layout_t layout = plist < 0 ? H5D_LAYOUT_ERROR : H5Pget_layout(plist);
    if (layout == H5D_LAYOUT_ERROR)
        st = fail(rep, ST_INPUT, "is stored in a way that cannot be read, the file is damaged");
    else if (layout == H5D_VIRTUAL || H5Pget_external_count(plist) != 0)
        st = fail(rep, ST_INPUT,
                  "keeps its data in another file, which is not opened; everything must be in one "
                  "file: copy the data into it");
    else if (layout == H5D_CHUNKED)
        st = check_chunks(set, plist, rep);
    else
        st = check_room(set, rep);
    if (plist >= 0) H5Pclose(plist);
    return st;
}

enum status storage_check_whole(hid_t set, struct report *rep)
{
    enum status st = storage_check(set, rep);
    if (st != ST_OK) return st;
    double bytes = bytes_of(set);
    double stored = fmin((double)H5Dget_storage_size(set), file_bytes(set));
    if (bytes > tightest * stored + slack)
        return fail(rep, ST_INPUT, "claims %.3g MB, but the file holds %.3g MB of it", bytes * 1e-6,
                    stored * 1e-6);
    return ST_OK;
}

/* Called by HDF5 before it opens another file. */
static herr_t refuse_link(const char *parent, const char *group, const char *child,
                          const char *object, unsigned *flags, hid_t access, void *left_file)
{
    (void)parent, (void)group, (void)child, (void)object, (void)flags, (void)access;
    *(bool *)left_file = true;
    return -1;
}

hid_t storage_access(bool *left_file)
{
    hid_t access = H5Pcreate(H5P_DATASET_ACCESS);
    *left_file = false;
    if (access >= 0 && H5Pset_elink_cb(access, refuse_link, left_file) < 0) {
        H5Pclose(access);
        access = H5I_INVALID_HID;
    }
    return access;
}
