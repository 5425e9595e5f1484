#include "maps/planes.h"

#include "base/watch.h"
#include "maps/pack.h"
#include "maps/pulse.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct piece {
    int map;
    bool errors;
};

/* What one rank says of a plane before its bands. */
struct head {
    enum status st;
    uint64_t bands, pixels;
    double quantile[QUANTILE_COUNT];
    struct report rep; /* of a failure */
};

/* One rank's tools. */
struct worker {
    const struct maps *m;
    int fd; /* the part */
    size_t n;
    float *values;        /* [n] */
    const uint8_t *state; /* [n] */
    struct packing how;
    struct packed packed;
};

static const float nothing = NAN;

/* The order in the file: errors stand before the values they belong to are read. */
static size_t list(const struct maps_layout *l, struct piece out[2 * MAP_COUNT])
{
    size_t n = 0;
    for (int errors = 1; errors >= 0; errors--)
        for (int i = 0; i < MAP_COUNT; i++)
            if (i != MAP_surface_slope && layout_has(l, i, errors))
                out[n++] = (struct piece){i, errors};
    return n;
}

static struct packing packing_of(const struct maps_layout *l, size_t number_bytes, const void *fill)
{
    return (struct packing){.rows = l->ny,
                            .band_rows = layout_band_rows(l),
                            .row_bytes = l->nx * number_bytes,
                            .number_bytes = number_bytes,
                            .fill = fill,
                            .deflate = l->deflate};
}

static enum status worker_begin(struct worker *w, const struct maps *m, const uint8_t *state,
                                struct report *rep)
{
    *w = (struct worker){.m = m, .n = m->layout.ny * m->layout.nx, .state = state};
    w->how = packing_of(&m->layout, sizeof nothing, &nothing);
    w->fd = open(m->part, O_RDONLY | O_CLOEXEC);
    if (w->fd < 0) return fail(rep, ST_OUTPUT, "%s cannot be opened: %s", m->part, strerror(errno));
    w->values = malloc(w->n * sizeof *w->values);
    return w->values ? ST_OK : fail(rep, ST_MEMORY, "not enough memory to finish %zu pixels", w->n);
}

static void worker_end(struct worker *w)
{
    if (w->fd >= 0) close(w->fd);
    free(w->values);
    pack_free(&w->packed);
}

static enum status make(struct worker *w, struct piece piece, struct head *head, struct report *rep)
{
    const struct places *at = &w->m->places;
    if (place_read(w->fd, w->values, w->n * sizeof *w->values,
                   piece.errors ? at->error[piece.map] : at->value[piece.map]) != 0)
        return fail(rep, ST_OUTPUT, "%s: %s cannot be read back: %s", w->m->part,
                    map_rows[piece.map].name, strerror(errno));
    enum status st = pack_plane(&w->packed, &w->how, w->values, rep);
    if (st != ST_OK) return st;
    head->bands = w->packed.n;
    if (!piece.errors) head->pixels = statistics_of_map(w->values, w->state, w->n, head->quantile);
    return ST_OK;
}

/* --- rank 0 writes --- */

static void write_band(const struct maps_layout *l, struct h5put *p, hid_t set, const char *name,
                       size_t band, hid_t type, const void *bytes, size_t n)
{
    const size_t rows = layout_band_rows(l), left = l->ny - band * rows;
    hsize_t start[2] = {band * rows, 0}, count[2] = {left < rows ? left : rows, l->nx};
    if (p->st != ST_OK) return;
    if (l->deflate > 0) {
        if (H5Dwrite_chunk(set, H5P_DEFAULT, 0, start, n, bytes) < 0) h5put_fail(p, name);
        return;
    }
    hid_t file = H5Dget_space(set), memory = H5Screate_simple(2, count, NULL);
    if (file < 0 || memory < 0 ||
        H5Sselect_hyperslab(file, H5S_SELECT_SET, start, NULL, count, NULL) < 0 ||
        H5Dwrite(set, type, memory, file, H5P_DEFAULT, bytes) < 0)
        h5put_fail(p, name);
    h5put_close(p, &memory);
    h5put_close(p, &file);
}

static hid_t open_set(struct h5put *p, const char *name)
{
    char path[96];
    if (p->st != ST_OK) return H5I_INVALID_HID;
    snprintf(path, sizeof path, MAPS_GROUP "/%s", name);
    hid_t set = H5Dopen2(p->file, path, H5P_DEFAULT);
    if (set < 0) h5put_fail(p, name);
    return set;
}

static void close_set(struct h5put *p, hid_t *set, const char *name)
{
    /* what cannot be written must be met here, not when the dataset is closed */
    if (p->st == ST_OK && H5Dflush(*set) < 0) h5put_fail(p, name);
    h5put_close(p, set);
}

static void write_packed(const struct maps_layout *l, struct h5put *p, const char *name, hid_t type,
                         const struct packed *packed)
{
    const unsigned char *at = packed->data;
    hid_t set = open_set(p, name);
    for (size_t band = 0; band < packed->n && p->st == ST_OK; band++) {
        write_band(l, p, set, name, band, type, at, packed->bytes[band]);
        at += packed->bytes[band];
    }
    close_set(p, &set, name);
}

void planes_write(const struct maps *m, struct h5put *p, const char *name, hid_t type,
                  const void *plane)
{
    const uint64_t zero = 0; /* of the last chunk's unused rows */
    struct packing how = packing_of(&m->layout, H5Tget_size(type), &zero);
    struct packed packed = {0};
    if (p->st == ST_OK) p->st = pack_plane(&packed, &how, plane, p->rep);
    if (p->st == ST_OK) write_packed(&m->layout, p, name, type, &packed);
    pack_free(&packed);
    pulse_beat(p->what);
}

/* --- from rank to rank --- */

static void send_plane(struct worker *w, struct head *head)
{
    const unsigned char *at = w->packed.data;
    watch_enter();
    MPI_Send(head, (int)sizeof *head, MPI_BYTE, 0, 0, w->m->comm);
    for (size_t band = 0; band < head->bands; band++) {
        MPI_Send(at, (int)w->packed.bytes[band], MPI_BYTE, 0, 0, w->m->comm);
        at += w->packed.bytes[band];
    }
    watch_leave();
}

/* Take all that `rank` sends of a plane, also when it cannot be written any more. */
static void take_plane(const struct maps *m, struct h5put *p, int rank, const char *name,
                       unsigned char *buffer, size_t most, struct head *head)
{
    watch_enter();
    MPI_Recv(head, (int)sizeof *head, MPI_BYTE, rank, 0, m->comm, MPI_STATUS_IGNORE);
    watch_leave();
    if (p->st == ST_OK && head->st != ST_OK) {
        *p->rep = head->rep;
        p->st = head->st;
    }
    hid_t set = open_set(p, name);
    for (size_t band = 0; band < head->bands; band++) {
        MPI_Status facts;
        int bytes = 0;
        watch_enter();
        MPI_Recv(buffer, (int)most, MPI_BYTE, rank, 0, m->comm, &facts);
        watch_leave();
        MPI_Get_count(&facts, MPI_BYTE, &bytes);
        write_band(&m->layout, p, set, name, band, H5T_NATIVE_FLOAT, buffer, (size_t)bytes);
    }
    close_set(p, &set, name);
}

static void keep(struct planes_found *found, struct piece piece, const struct head *head)
{
    if (piece.errors) return;
    found->pixels[piece.map] = (size_t)head->pixels;
    memcpy(found->quantile[piece.map], head->quantile, sizeof head->quantile);
}

/* Is there another round? Says to the waiting ranks as well that rank 0 is alive. */
static bool another(MPI_Comm comm, bool mine)
{
    int more = mine;
    watch_enter();
    MPI_Bcast(&more, 1, MPI_INT, 0, comm);
    watch_leave();
    return more;
}

/* The planes [first, first + ranks): rank 0 has the first of them. */
static void lead_round(struct worker *w, struct h5put *p, const struct piece *pieces, size_t n,
                       size_t first, unsigned char *buffer, struct planes_found *found)
{
    int ranks;
    MPI_Comm_size(w->m->comm, &ranks);
    for (size_t i = first; i < n && i < first + (size_t)ranks; i++) {
        struct head head = {.st = ST_OK};
        char name[64];
        layout_name(pieces[i].map, pieces[i].errors, name);
        if (i == first) {
            if (p->st == ST_OK) p->st = make(w, pieces[i], &head, p->rep);
            if (p->st == ST_OK) write_packed(&w->m->layout, p, name, H5T_NATIVE_FLOAT, &w->packed);
        } else {
            take_plane(w->m, p, (int)(i - first), name, buffer, pack_most(&w->how), &head);
        }
        keep(found, pieces[i], &head);
    }
}

static void share_state(const struct maps *m, uint8_t *state)
{
    const size_t n = m->layout.ny * m->layout.nx, most = (size_t)1 << 28;
    watch_enter();
    for (size_t at = 0; at < n; at += most)
        MPI_Bcast(state + at, (int)(n - at < most ? n - at : most), MPI_BYTE, 0, m->comm);
    watch_leave();
}

void planes_copy(const struct maps *m, uint8_t *state, struct h5put *p, struct planes_found *found)
{
    struct piece pieces[2 * MAP_COUNT];
    const size_t n = list(&m->layout, pieces);
    int ranks;
    struct worker w = {.fd = -1};
    unsigned char *buffer = NULL;
    MPI_Comm_size(m->comm, &ranks);
    if (p->st == ST_OK) p->st = worker_begin(&w, m, state, p->rep);
    if (p->st == ST_OK && !(buffer = malloc(pack_most(&w.how))))
        p->st = fail(p->rep, ST_MEMORY, "not enough memory to finish the maps");
    if (!another(m->comm, p->st == ST_OK)) goto done;
    share_state(m, state);
    for (size_t i = 0; another(m->comm, i < n && p->st == ST_OK); i += (size_t)ranks)
        lead_round(&w, p, pieces, n, i, buffer, found);
done:
    free(buffer);
    worker_end(&w);
}

enum status planes_help(const struct maps *m, struct report *rep)
{
    struct piece pieces[2 * MAP_COUNT];
    const size_t n = list(&m->layout, pieces), pixels = m->layout.ny * m->layout.nx;
    int ranks;
    struct worker w;
    uint8_t *state = malloc(pixels);
    enum status st = worker_begin(&w, m, state, rep);
    MPI_Comm_size(m->comm, &ranks);
    if (st == ST_OK && !state)
        st = fail(rep, ST_MEMORY, "not enough memory to finish %zu pixels", pixels);
    if (!another(m->comm, false)) goto done;
    share_state(m, state);
    for (size_t i = (size_t)m->rank; another(m->comm, false); i += (size_t)ranks) {
        struct head head = {.st = st};
        if (i >= n) continue;
        if (st == ST_OK) head.st = st = make(&w, pieces[i], &head, rep);
        if (st != ST_OK) head.rep = *rep, head.bands = 0;
        send_plane(&w, &head);
    }
done:
    worker_end(&w);
    free(state);
    return st;
}
