#include "maps/maps_private.h"

#include "base/output_file.h"
#include "maps/agree.h"
#include "maps/provenance.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void forget_handles(struct maps *m)
{
    m->lock = -1;
    m->file = m->state = m->flags = m->digests = H5I_INVALID_HID;
    for (int i = 0; i < MAP_COUNT; i++)
        m->value[i] = m->error[i] = H5I_INVALID_HID;
}

static char *joined(const char *path, const char *ending)
{
    char *text = malloc(strlen(path) + strlen(ending) + 1);
    if (text) stpcpy(stpcpy(text, path), ending);
    return text;
}

void maps_free(struct maps **m)
{
    if (!*m) return;
    if ((*m)->lock >= 0) close((*m)->lock);
    layout_free(&(*m)->layout);
    free((*m)->path);
    free((*m)->part);
    free((*m)->finishing);
    free((*m)->reals);
    free((*m)->flag_words);
    free((*m)->states);
    free(*m);
    *m = NULL;
}

/* Memory and layout; no file is touched. */
static enum status maps_new(struct maps **out, const char *path, bool overwrite,
                            const struct maps_origin *origin, MPI_Comm comm, struct report *rep)
{
    struct maps *m = calloc(1, sizeof *m);
    *out = m;
    if (!m) return fail(rep, ST_MEMORY, "not enough memory to write %s", path);
    m->comm = comm;
    MPI_Comm_rank(comm, &m->rank);
    m->overwrite = overwrite;
    m->n_tiles = origin->n_tiles;
    m->steepest_rad = origin->plan->limit.surface_slope_rad;
    m->path = strdup(path);
    m->part = joined(path, ".part");
    m->finishing = joined(path, ".finishing");
    forget_handles(m);
    if (!m->path || !m->part || !m->finishing)
        return fail(rep, ST_MEMORY, "not enough memory to write %s", path);
    return layout_make(&m->layout, origin, rep);
}

/* PATH, and what an interrupted run may have left beside it. */
static enum status check_places(const struct maps *m, const struct maps_origin *origin,
                                struct report *rep)
{
    const char *input = origin->volume->path, *recipe = origin->recipe->path;
    const char *rests[] = {m->part, m->finishing};
    struct report unused;
    enum status st = output_check(m->path, input, m->overwrite, rep);
    if (st == ST_OK && *recipe) st = output_check(m->path, recipe, m->overwrite, rep);
    for (size_t i = 0; i < 2 && st == ST_OK; i++) {
        if (!m->overwrite && output_check(rests[i], input, false, &unused) != ST_OK)
            st = fail(rep, ST_OUTPUT,
                      "%s is there from an unfinished run; remove it, choose another name or add "
                      "--overwrite",
                      rests[i]);
        else
            st = output_check(rests[i], input, m->overwrite, rep);
    }
    if (st == ST_OK && m->overwrite && access(m->part, F_OK) == 0) {
        int fd;
        st = output_lock(m->part, &fd, rep);
        if (st == ST_OK) close(fd);
    }
    if (st == ST_OK && m->overwrite) {
        unlink(m->part);
        unlink(m->finishing);
    }
    return st;
}

uint64_t maps_bytes(const struct maps *m)
{
    uint64_t planes = 2;
    for (int i = 0; i < MAP_COUNT; i++)
        planes += map_rows[i].errors ? 2 : 1;
    return planes * 4 * m->layout.ny * m->layout.nx + m->n_tiles * 16 + (1 << 20);
}

static void put_tile_digests(struct h5put *p, hid_t file, size_t n_tiles)
{
    hsize_t dims[2] = {n_tiles, 2};
    if (p->st != ST_OK) return;
    hid_t dcpl = H5Pcreate(H5P_DATASET_CREATE);
    if (dcpl < 0 || H5Pset_alloc_time(dcpl, H5D_ALLOC_TIME_EARLY) < 0) h5put_fail(p, DIGESTS_PATH);
    hid_t set = h5put_array(p, file, DIGESTS_PATH, H5T_NATIVE_UINT64, 2, dims, dcpl, NULL);
    h5put_close(p, &set);
    h5put_close(p, &dcpl);
}

/* One rank: PATH.part with everything but results, on the disk before anyone else opens it. */
static enum status write_part(struct maps *m, const struct maps_origin *origin, struct report *rep)
{
    struct h5put p = h5put_start(rep);
    int ranks;
    enum status st = output_reserve(m->part, maps_bytes(m), rep);
    if (st == ST_OK) st = output_lock(m->part, &m->lock, rep);
    if (st != ST_OK) return st;
    MPI_Comm_size(m->comm, &ranks);
    hid_t order = h5put_file_order(&p);
    if (p.st == ST_OK) p.file = H5Fcreate(m->part, H5F_ACC_TRUNC, order, H5P_DEFAULT);
    if (p.file < 0) h5put_fail(&p, "the file");
    h5put_close(&p, &order);
    layout_put(&p, p.file, &m->layout, false);
    hid_t entry = p.st == ST_OK ? H5Gopen2(p.file, "/entry", H5P_DEFAULT) : H5I_INVALID_HID;
    provenance_put(&p, entry, origin, &m->layout, ranks);
    h5put_close(&p, &entry);
    put_tile_digests(&p, p.file, m->n_tiles);
    h5put_finish_file(&p);
    if (p.st == ST_OK) return ST_OK;
    unlink(m->part);
    return within(rep, p.st, "%s: ", m->part);
}

static hid_t parallel_access(MPI_Comm comm)
{
    MPI_Info hints;
    hid_t access = H5Pcreate(H5P_FILE_ACCESS);
    if (access < 0) return access;
    MPI_Info_create(&hints);
    /* Without this a strided write may read, change and write back a whole block, and so undo what
       another rank wrote into its gaps meanwhile. */
    MPI_Info_set(hints, "romio_ds_write", "disable");
    herr_t rc = H5Pset_fapl_mpio(access, comm, hints);
    MPI_Info_free(&hints);
    if (rc >= 0 && H5Pset_all_coll_metadata_ops(access, true) >= 0) return access;
    H5Pclose(access);
    return H5I_INVALID_HID;
}

enum status maps_open_part(struct maps *m, struct report *rep)
{
    char name[96] = MAPS_GROUP "/", cause[256];
    const size_t prefix = strlen(name);
    hid_t access = parallel_access(m->comm);
    bool good = false;
    if (access >= 0) m->file = H5Fopen(m->part, H5F_ACC_RDWR, access);
    if (m->file < 0) goto done;
    for (int i = 0; i < MAP_COUNT; i++) {
        layout_name(i, false, name + prefix);
        m->value[i] = H5Dopen2(m->file, name, H5P_DEFAULT);
        if (m->value[i] < 0) goto done;
        layout_name(i, true, name + prefix);
        if (map_rows[i].errors) m->error[i] = H5Dopen2(m->file, name, H5P_DEFAULT);
        if (map_rows[i].errors && m->error[i] < 0) goto done;
    }
    m->state = H5Dopen2(m->file, MAPS_GROUP "/state", H5P_DEFAULT);
    m->flags = H5Dopen2(m->file, MAPS_GROUP "/flags", H5P_DEFAULT);
    m->digests = H5Dopen2(m->file, DIGESTS_PATH, H5P_DEFAULT);
    good = m->state >= 0 && m->flags >= 0 && m->digests >= 0;
done:
    h5put_cause(cause, sizeof cause);
    if (access >= 0) H5Pclose(access);
    return good ? ST_OK
                : fail(rep, ST_OUTPUT, "%s cannot be opened by all ranks: %s", m->part, cause);
}

static int close_plane(hid_t *plane)
{
    int rc = *plane >= 0 ? H5Dclose(*plane) : 0;
    *plane = H5I_INVALID_HID;
    return rc < 0 ? -1 : 0;
}

enum status maps_close_part(struct maps *m, struct report *rep)
{
    char cause[256];
    int rc = close_plane(&m->state) + close_plane(&m->flags) + close_plane(&m->digests);
    for (int i = 0; i < MAP_COUNT; i++)
        rc += close_plane(&m->value[i]) + close_plane(&m->error[i]);
    if (m->file >= 0 && H5Fclose(m->file) < 0) rc--;
    h5put_cause(cause, sizeof cause);
    m->file = H5I_INVALID_HID;
    return rc < 0 ? fail(rep, ST_OUTPUT, "%s cannot be written: %s", m->part, cause) : ST_OK;
}

enum status maps_create(struct maps **out, const char *path, bool overwrite,
                        const struct maps_origin *origin, MPI_Comm comm, struct report *rep)
{
    struct maps *m = NULL;
    h5put_quiet();
    enum status st = agree(comm, maps_new(&m, path, overwrite, origin, comm, rep), rep);
    if (st != ST_OK) goto done;
    if (m->rank == 0) st = check_places(m, origin, rep);
    if (m->rank == 0 && st == ST_OK) st = write_part(m, origin, rep);
    st = agree(comm, st, rep);
    if (st != ST_OK) goto done;
    st = agree(comm, maps_open_part(m, rep), rep);
    if (st != ST_OK) maps_drop(&m, true);
done:
    if (st != ST_OK) maps_free(&m);
    *out = m;
    return st;
}

void maps_drop(struct maps **m, bool discard)
{
    struct report unused;
    if (!*m) return;
    enum status ignored = maps_close_part(*m, &unused); /* an error path: the first cause counts */
    (void)ignored;
    MPI_Barrier((*m)->comm);
    if (discard && output_is_ours((*m)->part, (*m)->lock)) unlink((*m)->part);
    maps_free(m);
}
