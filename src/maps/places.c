#include "maps/places.h"

#include <errno.h>
#include <stdio.h>
#include <sys/stat.h>
#include <unistd.h>

struct lookup {
    hid_t file;
    uint64_t file_bytes;
    struct report *rep;
    enum status st;
};

/* The storage must be exactly what the plain writes will fill. */
static bool is_plain(hid_t set, hid_t type, int rank, const hsize_t *dims, uint64_t file_bytes,
                     uint64_t *at)
{
    hsize_t found[H5S_MAX_RANK] = {0};
    hid_t space = H5Dget_space(set), own = H5Dget_type(set);
    uint64_t bytes = H5Tget_size(type);
    bool good = space >= 0 && own >= 0 && H5Tequal(own, type) > 0 &&
                H5Sget_simple_extent_ndims(space) == rank &&
                H5Sget_simple_extent_dims(space, found, NULL) == rank;
    for (int i = 0; i < rank; i++) {
        good = good && found[i] == dims[i];
        bytes *= dims[i];
    }
    haddr_t offset = H5Dget_offset(set);
    good = good && offset != HADDR_UNDEF && H5Dget_storage_size(set) == bytes &&
           bytes <= file_bytes && offset <= file_bytes - bytes;
    *at = offset;
    if (space >= 0) H5Sclose(space);
    if (own >= 0) H5Tclose(own);
    return good;
}

static void look_up(struct lookup *u, const char *path, hid_t type, int rank, const hsize_t *dims,
                    uint64_t *at)
{
    if (u->st != ST_OK) return;
    hid_t set = H5Dopen2(u->file, path, H5P_DEFAULT);
    if (set < 0 || !is_plain(set, type, rank, dims, u->file_bytes, at))
        u->st = fail(u->rep, ST_OUTPUT,
                     "%s is missing or not as this program makes it; the file is damaged or from "
                     "another version: begin again with --overwrite",
                     path);
    if (set >= 0) H5Dclose(set);
}

static void look_up_maps(struct lookup *u, const struct maps_layout *l, struct places *out)
{
    char path[96];
    for (int i = 0; i < MAP_COUNT; i++)
        for (int errors = 0; errors <= (map_rows[i].errors ? 1 : 0); errors++) {
            const hsize_t dims[3] = {l->ny, l->nx, layout_layers(l, i)};
            if (!layout_begins(l, i)) continue;
            layout_path(i, errors, path);
            look_up(u, path, H5T_NATIVE_FLOAT, map_rows[i].axis ? 3 : 2, dims,
                    errors ? &out->error[i] : &out->value[i]);
        }
}

enum status places_read(struct places *out, hid_t file, const struct maps_layout *l, size_t n_tiles,
                        struct report *rep)
{
    const hsize_t plane[2] = {l->ny, l->nx}, tiles[2] = {n_tiles, 2}, words[1] = {OWNER_WORDS},
                  rows[1] = {RUNS_MOST};
    struct lookup u = {.file = file, .rep = rep, .st = ST_OK};
    void *handle = NULL;
    struct stat facts;
    *out = (struct places){.state = 0};
    if (H5Fget_vfd_handle(file, H5P_DEFAULT, &handle) < 0 || !handle ||
        fstat(*(int *)handle, &facts) != 0)
        return fail(rep, ST_OUTPUT, "its size cannot be found");
    u.file_bytes = (uint64_t)facts.st_size;
    look_up_maps(&u, l, out);
    look_up(&u, MAPS_GROUP "/state", H5T_NATIVE_UINT8, 2, plane, &out->state);
    look_up(&u, MAPS_GROUP "/flags", H5T_NATIVE_UINT64, 2, plane, &out->flags);
    look_up(&u, RUN_OF_PIXEL_PATH, H5T_NATIVE_UINT16, 2, plane, &out->run_of_pixel);
    look_up(&u, DIGESTS_PATH, H5T_NATIVE_UINT64, 2, tiles, &out->digests);
    look_up(&u, OWNER_PATH, H5T_NATIVE_UINT64, 1, words, &out->owner);
    for (int c = 0; c < RUN_COLUMN_COUNT && u.st == ST_OK; c++) {
        char path[64];
        hid_t type = runs_type(c);
        snprintf(path, sizeof path, RUNS_GROUP "/%s", run_columns[c].name);
        look_up(&u, path, type, 1, rows, &out->runs[c]);
        H5Tclose(type);
    }
    return u.st;
}

int place_write(int fd, const void *bytes, size_t n, uint64_t at)
{
    const char *from = bytes;
    while (n > 0) {
        ssize_t written = pwrite(fd, from, n, (off_t)at);
        if (written < 0 && errno == EINTR) continue;
        if (written <= 0) return -1;
        from += written;
        at += (uint64_t)written;
        n -= (size_t)written;
    }
    return 0;
}

int place_read(int fd, void *bytes, size_t n, uint64_t at)
{
    char *to = bytes;
    while (n > 0) {
        ssize_t got = pread(fd, to, n, (off_t)at);
        if (got < 0 && errno == EINTR) continue;
        if (got == 0) errno = EIO; /* shorter than it was */
        if (got <= 0) return -1;
        to += got;
        at += (uint64_t)got;
        n -= (size_t)got;
    }
    return 0;
}
