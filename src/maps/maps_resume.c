/* Going on where an earlier run stopped: is it the same work, what is left of it, and it is ours.
 */
#include "maps/maps_private.h"

#include "base/watch.h"
#include "maps/agree.h"
#include "maps/h5get.h"
#include "maps/identity.h"
#include "maps/output_file.h"
#include "maps/pulse.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* --- the same work? --- */

/* Compare what `path` was made from with what this run would make it from. */
static enum status check_identity(hid_t file, const char *path, const struct maps_origin *origin,
                                  struct report *rep)
{
    char difference[700];
    char *before = h5get_text(file, IDENTITY_PATH), *now = identity_text(origin);
    enum status st = ST_OK;
    if (!now)
        st = fail(rep, ST_MEMORY, "not enough memory to compare recipes");
    else if (!identity_same(before ? before : "", now, difference, sizeof difference))
        st = fail(rep, ST_OUTPUT,
                  "%s was begun from something else: %s; go on as it was begun, or begin again "
                  "with --overwrite",
                  path, difference);
    free(before);
    free(now);
    return st;
}

/* Title and time of the start stay those of the first run, whoever finishes the file. */
static void keep_first_words(struct maps_layout *l, hid_t file)
{
    char *title = h5get_text(file, "/entry/title"), *start = h5get_text(file, "/entry/start_time");
    if (title) snprintf(l->title, sizeof l->title, "%s", title);
    if (start) snprintf(l->start_time, sizeof l->start_time, "%s", start);
    free(title);
    free(start);
}

static bool has_count(hid_t file, const char *path, int64_t *out)
{
    hid_t set = h5get_has(file, path) ? H5Dopen2(file, path, H5P_DEFAULT) : H5I_INVALID_HID;
    if (set < 0) return false;
    hid_t type = H5Dget_type(set), space = H5Dget_space(set);
    bool good = type >= 0 && space >= 0 && H5Tget_class(type) == H5T_INTEGER &&
                H5Sget_simple_extent_npoints(space) == 1 &&
                H5Dread(set, H5T_NATIVE_INT64, H5S_ALL, H5S_ALL, H5P_DEFAULT, out) >= 0;
    if (type >= 0) H5Tclose(type);
    if (space >= 0) H5Sclose(space);
    H5Dclose(set);
    return good;
}

/* The volume's file has size and time of modification as when the finished file was made. */
static bool input_untouched(hid_t file, const char *volume_path)
{
    int64_t bytes, modified;
    struct stat facts;
    return stat(volume_path, &facts) == 0 && has_count(file, "/entry/run/input_bytes", &bytes) &&
           has_count(file, "/entry/run/input_modified_ns", &modified) && bytes == facts.st_size &&
           modified == facts.st_mtim.tv_sec * INT64_C(1000000000) + facts.st_mtim.tv_nsec;
}

/* PATH is there. Finished from the same: nothing to do. Else it stands in the way, or will be
 * replaced. */
static enum status look_at_finished(const struct maps *m, const struct maps_origin *origin,
                                    struct maps_found *found, struct report *rep)
{
    struct report why;
    hid_t file = maps_is_one(m->path) ? h5put_open(m->path) : H5I_INVALID_HID;
    bool same = file >= 0 && check_identity(file, m->path, origin, &why) == ST_OK;
    char *digest = same ? h5get_text(file, "/entry/run/input_digest") : NULL;
    if (digest && strlen(digest) == sizeof found->digest - 1) {
        found->finished = true;
        if (!input_untouched(file, origin->volume->path))
            memcpy(found->digest, digest, sizeof found->digest);
    }
    free(digest);
    if (file >= 0) H5Fclose(file);
    if (found->finished || m->overwrite) return ST_OK;
    if (file < 0) return fail(rep, ST_OUTPUT, "%s exists and is not a map file", m->path);
    return fail(rep, ST_OUTPUT, "%s", why.text);
}

/* --- what is left of it? --- */

static enum status new_leftover(struct maps *m, struct report *rep)
{
    struct leftover *l = &m->left;
    const size_t n = m->n_tiles ? m->n_tiles : 1;
    l->kind = calloc(n, sizeof *l->kind);
    l->digest = calloc(n, sizeof *l->digest);
    l->torn = calloc(n, sizeof *l->torn);
    return l->kind && l->digest && l->torn
               ? ST_OK
               : fail(rep, ST_MEMORY, "%s: not enough memory for %zu tiles", m->path, n);
}

/* Done pixels of a tile; `done` [rows*cols] in the volume's order. */
static size_t done_pixels(const struct maps *m, const struct tile *t, const uint8_t *state,
                          uint8_t *done)
{
    const struct maps_layout *l = &m->layout;
    size_t count = 0;
    for (size_t i = 0; i < t->rows * t->cols; i++) {
        size_t row = t->row0 + i / t->cols, col = t->col0 + i % t->cols;
        if (l->rows_reversed) row = l->ny - 1 - row;
        if (l->columns_reversed) col = l->nx - 1 - col;
        done[i] = state[row * l->nx + col] != STATE_pending;
        count += done[i];
    }
    return count;
}

static enum status sort_tiles(struct maps *m, const struct maps_origin *origin,
                              const uint8_t *state, struct report *rep)
{
    struct leftover *l = &m->left;
    const size_t room = m->tile_rows * m->tile_cols;
    uint8_t *done = malloc(room ? room : 1);
    enum status st = done ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for a tile's states");
    for (size_t i = 0; i < m->n_tiles && st == ST_OK; i++) {
        const struct tile t = volume_cut(origin->volume, i);
        size_t count = done_pixels(m, &t, state, done);
        l->pixels_done += count;
        l->kind[i] = count == 0 ? TILE_PENDING : count < t.rows * t.cols ? TILE_TORN : TILE_DONE;
        if (l->kind[i] != TILE_TORN) continue;
        uint8_t *more = realloc(l->done, (l->n_torn + 1) * room);
        if (!more) {
            st = fail(rep, ST_MEMORY, "not enough memory for a tile's states");
            break;
        }
        l->done = more;
        memcpy(l->done + l->n_torn * room, done, room);
        l->torn[l->n_torn++] = i;
    }
    free(done);
    return st;
}

static enum status find_leftover(struct maps *m, const struct maps_origin *origin,
                                 struct report *rep)
{
    const size_t n = m->layout.ny * m->layout.nx;
    uint8_t *state = malloc(n);
    enum status st = state ? new_leftover(m, rep)
                           : fail(rep, ST_MEMORY, "not enough memory for %zu states", n);
    if (st == ST_OK) st = maps_read_planes(m, NULL, state, NULL, rep);
    if (st == ST_OK && place_read(m->lock, m->left.digest, m->n_tiles * sizeof *m->left.digest,
                                  m->places.digests) != 0)
        st = fail(rep, ST_OUTPUT, "%s cannot be read: %s", m->part, strerror(errno));
    if (st == ST_OK) st = sort_tiles(m, origin, state, rep);
    free(state);
    return st;
}

enum tile_left maps_tile_left(const struct maps *m, size_t i)
{
    return m->left.kind ? (enum tile_left)m->left.kind[i] : TILE_PENDING;
}

const uint8_t *maps_tile_done(const struct maps *m, size_t i)
{
    for (size_t k = 0; k < m->left.n_torn; k++)
        if (m->left.torn[k] == i) return m->left.done + k * m->tile_rows * m->tile_cols;
    return NULL;
}

struct digest maps_tile_digest(const struct maps *m, size_t i)
{
    return m->left.digest ? (struct digest){m->left.digest[i][0], m->left.digest[i][1]}
                          : (struct digest){0, 0};
}

/* --- it is ours --- */

static enum status take_lock(struct maps *m, bool take_over, struct report *rep)
{
    enum status st = output_open(m->part, &m->lock, rep);
    if (st != ST_OK) return st;
    close(m->lock);
    if (output_lock(m->part, &m->lock, rep) == ST_OK) return ST_OK;
    if (!take_over)
        return fail(rep, ST_OUTPUT,
                    "%s is being written by another run; wait for it, or, if it is lost on a host "
                    "that nobody reaches, add --take-over: that run then stops by itself",
                    m->part);
    m->unlocked = true;
    return output_open(m->part, &m->lock, rep);
}

static enum status claim(struct maps *m, const struct maps_origin *origin, struct report *rep)
{
    struct owner before;
    if (owner_read(m->lock, m->places.owner, &before) != 0)
        return fail(rep, ST_OUTPUT, "%s cannot be read: %s", m->part, strerror(errno));
    enum status st = owner_make(&m->owner, before.run + 1, rep);
    return st == ST_OK ? maps_enter_run(m, m->lock, origin, rep) : st;
}

static enum status read_part(struct maps *m, const struct maps_origin *origin, struct report *rep)
{
    enum status st = ST_OK;
    hid_t file = maps_is_one(m->part) ? h5put_open(m->part) : H5I_INVALID_HID;
    if (file < 0)
        return fail(rep, ST_OUTPUT,
                    "%s is not an unfinished map file; remove it or begin again with --overwrite",
                    m->part);
    st = check_identity(file, m->part, origin, rep);
    if (st == ST_OK) {
        st = places_read(&m->places, file, &m->layout, m->n_tiles, rep);
        if (st != ST_OK) st = within(rep, st, "%s: ", m->part);
    }
    if (st == ST_OK) keep_first_words(&m->layout, file);
    H5Fclose(file);
    return st;
}

static enum status take_part(struct maps *m, bool take_over, const struct maps_origin *origin,
                             struct report *rep)
{
    enum status st = output_check(m->part, origin->volume->path, true, rep);
    if (st == ST_OK) st = take_lock(m, take_over, rep);
    if (st == ST_OK) st = read_part(m, origin, rep);
    if (st == ST_OK) st = claim(m, origin, rep);
    /* after the claim: what a stale run still saves is at worst computed again, with the same
     * result */
    return st == ST_OK ? find_leftover(m, origin, rep) : st;
}

/* What killed runs left half made. */
static void sweep(const struct maps *m)
{
    output_sweep(m->path, "starting");
    output_sweep(m->path, "finishing");
}

/* A run that was killed between the finished file's renaming and this. */
static void remove_stale_part(struct maps *m, const struct maps_origin *origin)
{
    struct report unused;
    if (access(m->part, F_OK) != 0 || output_lock(m->part, &m->lock, &unused) != ST_OK) return;
    if (read_part(m, origin, &unused) == ST_OK) unlink(m->part);
}

static enum status resume_alone(struct maps *m, bool take_over, const struct maps_origin *origin,
                                struct maps_found *found, struct report *rep)
{
    struct stat facts;
    enum status st = ST_OK;
    if (lstat(m->path, &facts) == 0) {
        st = look_at_finished(m, origin, found, rep);
        if (st != ST_OK) return st;
        if (found->finished && !*found->digest) remove_stale_part(m, origin);
        if (found->finished && !*found->digest) sweep(m);
        if (found->finished) return ST_OK;
    }
    st = maps_check_places(m, origin, rep);
    if (st != ST_OK) return st;
    st = lstat(m->part, &facts) == 0 ? take_part(m, take_over, origin, rep)
                                     : maps_write_part(m, origin, rep);
    if (st == ST_OK) sweep(m);
    found->run = m->owner.run;
    found->pixels = m->left.pixels_done;
    return st;
}

/* --- all ranks --- */

static enum status share_leftover(struct maps *m, struct report *rep)
{
    struct leftover *l = &m->left;
    const size_t room = m->tile_rows * m->tile_cols;
    enum status st = ST_OK;
    unsigned long long torn = l->n_torn;
    int there = l->kind != NULL;
    watch_enter();
    MPI_Bcast(&there, 1, MPI_INT, 0, m->comm);
    MPI_Bcast(&torn, 1, MPI_UNSIGNED_LONG_LONG, 0, m->comm);
    watch_leave();
    if (!there) return ST_OK;
    if (m->rank != 0) {
        st = new_leftover(m, rep);
        l->n_torn = (size_t)torn;
        l->done = malloc(l->n_torn * room + 1);
        if (st == ST_OK && !l->done) st = fail(rep, ST_MEMORY, "not enough memory for states");
    }
    if ((st = agree(m->comm, st, rep)) != ST_OK) return st;
    watch_enter();
    MPI_Bcast(l->kind, (int)m->n_tiles, MPI_UINT8_T, 0, m->comm);
    MPI_Bcast(l->digest, (int)(2 * m->n_tiles), MPI_UINT64_T, 0, m->comm);
    MPI_Bcast(l->torn, (int)(l->n_torn * sizeof *l->torn), MPI_BYTE, 0, m->comm);
    for (size_t i = 0; i < l->n_torn; i++)
        MPI_Bcast(l->done + i * room, (int)room, MPI_UINT8_T, 0, m->comm);
    watch_leave();
    return ST_OK;
}

enum status maps_resume(struct maps **out, const char *path, bool overwrite, bool take_over,
                        const struct maps_origin *origin, MPI_Comm comm, struct maps_found *found,
                        struct report *rep)
{
    struct maps *m = NULL;
    *found = (struct maps_found){.run = 1};
    h5put_quiet();
    enum status st = agree(comm, maps_new(&m, path, overwrite, origin, comm, rep), rep);
    if (st != ST_OK) goto done;
    if (m->rank == 0) {
        st = resume_alone(m, take_over, origin, found, rep);
        pulse_end(comm);
    } else {
        pulse_follow(comm);
    }
    st = agree(comm, st, rep);
    if (st != ST_OK) goto done;
    watch_enter();
    MPI_Bcast(found, (int)sizeof *found, MPI_BYTE, 0, comm);
    watch_leave();
    if (found->finished) goto done;
    st = maps_open_part(m, rep);
    if (st == ST_OK) st = share_leftover(m, rep);
done:
    if (st != ST_OK || found->finished) maps_free(&m);
    *out = m;
    return st;
}
