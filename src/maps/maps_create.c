#include "maps/maps_private.h"

#include "base/output_file.h"
#include "maps/agree.h"
#include "maps/parent.h"
#include "maps/provenance.h"
#include "maps/pulse.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static char *joined(const char *path, const char *ending)
{
    char *text = malloc(strlen(path) + strlen(ending) + 1);
    if (text) stpcpy(stpcpy(text, path), ending);
    return text;
}

static void free_leftover(struct leftover *l)
{
    free(l->kind);
    free(l->digest);
    free(l->torn);
    free(l->done);
}

void maps_free(struct maps **m)
{
    if (!*m) return;
    if ((*m)->lock >= 0) close((*m)->lock);
    if ((*m)->fd >= 0) close((*m)->fd);
    layout_free(&(*m)->layout);
    free_leftover(&(*m)->left);
    free((*m)->path);
    free((*m)->part);
    free((*m)->finishing);
    store_free(&(*m)->store);
    free(*m);
    *m = NULL;
}

enum status maps_new(struct maps **out, const char *path, bool overwrite,
                     const struct maps_origin *origin, MPI_Comm comm, struct report *rep)
{
    struct maps *m = calloc(1, sizeof *m);
    *out = m;
    if (!m) return fail(rep, ST_MEMORY, "not enough memory to write %s", path);
    m->comm = comm;
    MPI_Comm_rank(comm, &m->rank);
    m->overwrite = overwrite;
    m->n_tiles = origin->n_tiles;
    m->tile_rows = origin->volume->tile_rows;
    m->tile_cols = origin->volume->tile_cols;
    m->checkpoint_s = origin->checkpoint_s;
    m->steepest_rad = origin->plan->limit.surface_slope_rad;
    if (origin->parent)
        memcpy(m->wanted_digest, origin->parent->view.summary.digest, sizeof m->wanted_digest);
    m->tip_change = origin->plan->limit.tip_change;
    m->path = strdup(path);
    m->part = joined(path, ".part");
    m->lock = m->fd = -1;
    if (!m->path || !m->part) return fail(rep, ST_MEMORY, "not enough memory to write %s", path);
    return layout_make(&m->layout, origin, rep);
}

enum status maps_check_places(const struct maps *m, const struct maps_origin *origin,
                              struct report *rep)
{
    const char *input = origin->volume->path, *recipe = origin->recipe->path;
    enum status st = output_check(m->path, input, m->overwrite, rep);
    if (st == ST_OK && *recipe) st = output_check(m->path, recipe, m->overwrite, rep);
    if (st == ST_OK && origin->parent)
        st = output_check(m->path, origin->parent->view.path, m->overwrite, rep);
    return st;
}

/* PATH.part, which an interrupted run may have left or another run may be writing. */
static enum status check_part(const struct maps *m, const struct maps_origin *origin,
                              struct report *rep)
{
    struct stat facts;
    int fd;
    if (lstat(m->part, &facts) != 0) return ST_OK;
    if (!m->overwrite)
        return fail(rep, ST_OUTPUT,
                    "%s is there from an unfinished run; go on with it (--resume), begin again "
                    "(--overwrite) or choose another name",
                    m->part);
    enum status st = output_check(m->part, origin->volume->path, true, rep);
    if (st != ST_OK) return st;
    if ((st = output_lock(m->part, &fd, rep)) == ST_OK) close(fd);
    return st;
}

uint64_t maps_bytes(const struct maps *m)
{
    uint64_t planes = 2;
    for (int i = 0; i < MAP_COUNT; i++)
        if (map_is_made(&m->layout.extent, i)) planes += map_rows[i].errors ? 2 : 1;
    return (planes * 4 + 2) * m->layout.ny * m->layout.nx + m->n_tiles * 16 + (2 << 20);
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

/* The whole file but for the results, under another name. */
static enum status fill_part(struct maps *m, const char *path, const struct maps_origin *origin,
                             struct report *rep)
{
    struct h5put p = h5put_start(rep);
    int ranks;
    MPI_Comm_size(m->comm, &ranks);
    p.after_each = pulse_beat;
    p.what = &m->comm;
    p.synced_later = true; /* when this run has entered itself */
    hid_t order = h5put_file_order(&p), access = h5put_access();
    if (p.st == ST_OK) p.file = H5Fcreate(path, H5F_ACC_TRUNC, order, access);
    if (p.file < 0) h5put_fail(&p, "the file");
    h5put_close(&p, &order);
    h5put_close(&p, &access);
    layout_put(&p, p.file, &m->layout, false);
    hid_t entry = p.st == ST_OK ? H5Gopen2(p.file, "/entry", H5P_DEFAULT) : H5I_INVALID_HID;
    provenance_put(&p, entry, origin, &m->layout, ranks);
    h5put_close(&p, &entry);
    put_tile_digests(&p, p.file, m->n_tiles);
    runs_put_empty(&p, p.file, m->layout.ny, m->layout.nx);
    h5put_finish_file(&p);
    return p.st == ST_OK ? ST_OK : within(rep, p.st, "%s: ", m->part);
}

/* This run becomes the owner and the first in the table of runs. */
static enum status enter_first_run(struct maps *m, const char *path,
                                   const struct maps_origin *origin, struct report *rep)
{
    enum status st = owner_make(&m->owner, 1, rep);
    hid_t file = h5put_open(path);
    if (file < 0) return fail(rep, ST_OUTPUT, "%s cannot be read back", m->part);
    if (st == ST_OK) st = places_read(&m->places, file, &m->layout, m->n_tiles, rep);
    H5Fclose(file);
    return st == ST_OK ? maps_enter_run(m, m->lock, origin, rep) : st;
}

enum status maps_write_part(struct maps *m, const struct maps_origin *origin, struct report *rep)
{
    struct owner name;
    enum status st = owner_make(&name, 1, rep);
    char *starting = output_side_name(m->path, "starting", name.token[1]);
    if (st == ST_OK && !starting) st = fail(rep, ST_MEMORY, "not enough memory for a name");
    if (st == ST_OK) st = output_reserve(starting, maps_bytes(m), rep);
    if (st != ST_OK) goto done;
    st = output_lock(starting, &m->lock, rep);
    if (st == ST_OK) st = fill_part(m, starting, origin, rep);
    if (st == ST_OK) st = enter_first_run(m, starting, origin, rep);
    if (st == ST_OK) st = output_publish(starting, m->part, m->overwrite, rep);
    if (st != ST_OK) unlink(starting);
done:
    free(starting);
    return st;
}

static enum status create_alone(struct maps *m, const struct maps_origin *origin,
                                struct report *rep)
{
    enum status st = maps_check_places(m, origin, rep);
    if (st == ST_OK) st = check_part(m, origin, rep);
    if (st != ST_OK) return st;
    output_sweep(m->path, "starting");
    output_sweep(m->path, "finishing");
    return maps_write_part(m, origin, rep);
}

enum status maps_create(struct maps **out, const char *path, bool overwrite,
                        const struct maps_origin *origin, MPI_Comm comm, struct report *rep)
{
    struct maps *m = NULL;
    h5put_quiet();
    enum status st = agree(comm, maps_new(&m, path, overwrite, origin, comm, rep), rep);
    if (st != ST_OK) goto done;
    if (m->rank == 0) {
        st = create_alone(m, origin, rep);
        pulse_end(comm);
    } else {
        st = pulse_follow(comm, NULL, NULL, rep);
    }
    st = agree(comm, st, rep);
    if (st == ST_OK) st = maps_open_part(m, rep);
    if (st != ST_OK && m->rank == 0 && output_is_ours(m->part, m->lock)) unlink(m->part);
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
    if (discard && output_is_ours((*m)->part, (*m)->lock)) unlink((*m)->part);
    maps_free(m);
}
