#include "maps/maps_private.h"

#include "base/clock.h"
#include "base/output_file.h"

#include <errno.h>
#include <string.h>
#include <unistd.h>

/* Only once their values are on the disk may states say so. */
static int save(struct maps *m)
{
    return store_write(&m->store, m->fd, &m->places) == 0 && fdatasync(m->fd) == 0 &&
                   store_write_states(&m->store, m->fd, &m->places) == 0
               ? 0
               : -1;
}

/* The run that was overtaken holds the lock until it notices: then it is ours. */
static void lock_at_last(struct maps *m)
{
    struct report unused;
    int fd;
    if (!m->unlocked || output_lock(m->part, &fd, &unused) != ST_OK) return;
    close(m->lock);
    m->lock = fd;
    m->unlocked = false;
}

enum status maps_checkpoint(struct maps *m, struct report *rep)
{
    if (m->store.states.n == 0 || m->fd < 0) return ST_OK;
    lock_at_last(m);
    enum status st = owner_check(m->part, m->fd, m->places.owner, &m->owner, rep);
    if (st == ST_OK && save(m) != 0)
        st = fail(rep, ST_OUTPUT, "%s cannot be written: %s", m->part, strerror(errno));
    store_forget(&m->store);
    m->checked_s = clock_s();
    return st;
}

enum status maps_write_tile(struct maps *m, size_t tile_index, struct tile t,
                            const struct pixel_result *results, struct digest digest,
                            struct report *rep)
{
    if (tile_index >= m->n_tiles || t.row0 + t.rows > m->layout.ny ||
        t.col0 + t.cols > m->layout.nx)
        return fail(rep, ST_BUG, "%s: tile %zu lies outside of the maps", m->path, tile_index);
    if (t.rows * t.cols == 0) return ST_OK;
    enum status st = owner_check(m->part, m->fd, m->places.owner, &m->owner, rep);
    if (st != ST_OK) return st;
    st = store_put(&m->store, m->fd, &m->layout, &m->places, &t, results, m->owner.run, rep);
    if (st == ST_OK) st = store_put_digest(&m->store, tile_index, digest, rep);
    if (st != ST_OK) return within(rep, st, "%s: ", m->part);
    if (m->checked_s == 0) m->checked_s = clock_s();
    return clock_s() - m->checked_s >= m->checkpoint_s ? maps_checkpoint(m, rep) : ST_OK;
}
