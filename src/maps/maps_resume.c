/* Going on where an earlier run stopped: is it the same work, and is it ours? */
#include "maps/maps_private.h"

#include "base/guard.h"
#include "base/output_file.h"
#include "base/watch.h"
#include "maps/agree.h"
#include "maps/h5get.h"
#include "maps/identity.h"
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
    guard_file(m->part);
    st = check_identity(file, m->part, origin, rep);
    if (st == ST_OK) {
        st = places_read(&m->places, file, &m->layout, m->n_tiles, rep);
        if (st != ST_OK) st = within(rep, st, "%s: ", m->part);
    }
    if (st == ST_OK) keep_first_words(&m->layout, file);
    H5Fclose(file);
    guard_file(NULL);
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
    return st == ST_OK ? maps_find_leftover(m, origin, rep) : st;
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
        st = pulse_follow(comm, NULL, NULL, rep);
    }
    st = agree(comm, st, rep);
    if (st != ST_OK) goto done;
    watch_enter();
    MPI_Bcast(found, (int)sizeof *found, MPI_BYTE, 0, comm);
    watch_leave();
    if (found->finished) goto done;
    st = maps_open_part(m, rep);
    if (st == ST_OK) st = maps_share_leftover(m, rep);
done:
    if (st != ST_OK || found->finished) maps_free(&m);
    *out = m;
    return st;
}
