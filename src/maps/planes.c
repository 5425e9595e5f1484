#include "maps/planes.h"

#include "base/watch.h"
#include "maps/agree.h"
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
    uint64_t bands, pixels[AXIS_LONGEST];
    double quantile[AXIS_LONGEST][QUANTILE_COUNT]; /* of each layer */
    struct report rep;                             /* of a failure */
};

/* One rank's tools. */
struct worker {
    const struct maps *m;
    int fd; /* the part */
    size_t n;
    float *values;        /* [n, layers] of one dataset */
    float *plane;         /* [n] */
    const uint8_t *state; /* [n] */
    struct packed packed;
};

static const float nothing = NAN;

/* The order in the file: errors stand before the values they belong to are read. */
static size_t list(const struct maps_layout *l, struct piece out[2 * MAP_COUNT])
{
    size_t n = 0;
    for (int errors = 1; errors >= 0; errors--)
        for (int i = 0; i < MAP_COUNT; i++)
            if (i != MAP_surface_slope && layout_begins(l, i) && (!errors || map_rows[i].errors))
                out[n++] = (struct piece){i, errors};
    return n;
}

static struct packing packing_of(const struct maps_layout *l, size_t layers, size_t number_bytes,
                                 const void *fill)
{
    return (struct packing){.rows = l->ny,
                            .band_rows = layout_band_rows(l, layers),
                            .row_bytes = l->nx * layers * number_bytes,
                            .number_bytes = number_bytes,
                            .fill = fill,
                            .deflate = l->deflate};
}

static enum status worker_begin(struct worker *w, const struct maps *m, const uint8_t *state,
                                struct report *rep)
{
    *w = (struct worker){.m = m, .n = m->layout.ny * m->layout.nx, .state = state};
    w->fd = open(m->part, O_RDONLY | O_CLOEXEC);
    if (w->fd < 0) return fail(rep, ST_OUTPUT, "%s cannot be opened: %s", m->part, strerror(errno));
    w->values = malloc(layout_deepest(&m->layout) * w->n * sizeof *w->values);
    w->plane = malloc(w->n * sizeof *w->plane);
    return w->values && w->plane
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory to finish %zu pixels", w->n);
}

static void worker_end(struct worker *w)
{
    if (w->fd >= 0) close(w->fd);
    free(w->values);
    free(w->plane);
    pack_free(&w->packed);
}

static enum status make(struct worker *w, struct piece piece, struct head *head, struct report *rep)
{
    const struct places *at = &w->m->places;
    const size_t layers = layout_layers(&w->m->layout, piece.map);
    const struct packing how = packing_of(&w->m->layout, layers, sizeof nothing, &nothing);
    if (place_read(w->fd, w->values, layers * w->n * sizeof *w->values,
                   piece.errors ? at->error[piece.map] : at->value[piece.map]) != 0)
        return fail(rep, ST_OUTPUT, "%s: %s cannot be read back: %s", w->m->part,
                    map_rows[piece.map].name, strerror(errno));
    enum status st = pack_plane(&w->packed, &how, w->values, rep);
    if (st != ST_OK) return st;
    head->bands = w->packed.n;
    for (size_t k = 0; k < layers && !piece.errors; k++) {
        for (size_t i = 0; i < w->n; i++)
            w->plane[i] = w->values[i * layers + k];
        head->pixels[k] = statistics_of_map(w->plane, w->state, w->n, head->quantile[k]);
    }
    return ST_OK;
}

/* --- rank 0 writes --- */

/* A dataset that is being written. */
struct target {
    hid_t set;
    int rank;
    size_t layers;
    char path[96];
};

static void write_band(const struct maps_layout *l, struct h5put *p, const struct target *t,
                       size_t band, hid_t type, const void *bytes, size_t n)
{
    const size_t rows = layout_band_rows(l, t->layers), left = l->ny - band * rows;
    hsize_t start[3] = {band * rows, 0, 0},
            count[3] = {left < rows ? left : rows, l->nx, t->layers};
    if (p->st != ST_OK) return;
    if (l->deflate > 0) {
        if (H5Dwrite_chunk(t->set, H5P_DEFAULT, 0, start, n, bytes) < 0) h5put_fail(p, t->path);
        return;
    }
    hid_t file = H5Dget_space(t->set), memory = H5Screate_simple(t->rank, count, NULL);
    if (file < 0 || memory < 0 ||
        H5Sselect_hyperslab(file, H5S_SELECT_SET, start, NULL, count, NULL) < 0 ||
        H5Dwrite(t->set, type, memory, file, H5P_DEFAULT, bytes) < 0)
        h5put_fail(p, t->path);
    h5put_close(p, &memory);
    h5put_close(p, &file);
}

static struct target open_target(struct h5put *p, size_t layers, int rank, const char *path)
{
    struct target t = {.set = H5I_INVALID_HID, .rank = rank, .layers = layers};
    snprintf(t.path, sizeof t.path, "%s", path);
    if (p->st != ST_OK) return t;
    t.set = H5Dopen2(p->file, path, H5P_DEFAULT);
    if (t.set < 0) h5put_fail(p, path);
    return t;
}

static struct target open_piece(struct h5put *p, const struct maps_layout *l, struct piece piece)
{
    char path[96];
    layout_path(piece.map, piece.errors, path);
    return open_target(p, layout_layers(l, piece.map), map_rows[piece.map].axis ? 3 : 2, path);
}

static void close_target(struct h5put *p, struct target *t)
{
    /* what cannot be written must be met here, not when the dataset is closed */
    if (p->st == ST_OK && H5Dflush(t->set) < 0) h5put_fail(p, t->path);
    h5put_close(p, &t->set);
}

static void write_packed(const struct maps_layout *l, struct h5put *p, struct target t, hid_t type,
                         const struct packed *packed)
{
    const unsigned char *at = packed->data;
    for (size_t band = 0; band < packed->n && p->st == ST_OK; band++) {
        write_band(l, p, &t, band, type, at, packed->bytes[band]);
        at += packed->bytes[band];
    }
    close_target(p, &t);
}

void planes_write(const struct maps *m, struct h5put *p, const char *name, hid_t type,
                  const void *plane)
{
    const uint64_t zero = 0; /* of the last chunk's unused rows */
    struct packing how = packing_of(&m->layout, 1, H5Tget_size(type), &zero);
    struct packed packed = {0};
    char path[96];
    snprintf(path, sizeof path, MAPS_GROUP "/%s", name);
    if (p->st == ST_OK) p->st = pack_plane(&packed, &how, plane, p->rep);
    if (p->st == ST_OK) write_packed(&m->layout, p, open_target(p, 1, 2, path), type, &packed);
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

/* Take all that `rank` sends of a piece, also when it cannot be written any more. */
static void take_piece(const struct maps *m, struct h5put *p, int rank, struct piece piece,
                       unsigned char *buffer, size_t most, struct head *head)
{
    watch_enter();
    MPI_Recv(head, (int)sizeof *head, MPI_BYTE, rank, 0, m->comm, MPI_STATUS_IGNORE);
    watch_leave();
    if (p->st == ST_OK && head->st != ST_OK) {
        *p->rep = head->rep;
        p->st = head->st;
    }
    struct target t = open_piece(p, &m->layout, piece);
    for (size_t band = 0; band < head->bands; band++) {
        MPI_Status facts;
        int bytes = 0;
        watch_enter();
        MPI_Recv(buffer, (int)most, MPI_BYTE, rank, 0, m->comm, &facts);
        watch_leave();
        MPI_Get_count(&facts, MPI_BYTE, &bytes);
        write_band(&m->layout, p, &t, band, H5T_NATIVE_FLOAT, buffer, (size_t)bytes);
    }
    close_target(p, &t);
}

static void keep(const struct maps_layout *l, struct planes_found *found, struct piece piece,
                 const struct head *head)
{
    if (piece.errors) return;
    for (size_t k = 0; k < layout_layers(l, piece.map); k++) {
        const size_t id = (size_t)piece.map + k;
        found->pixels[id] = (size_t)head->pixels[k];
        memcpy(found->quantile[id], head->quantile[k], sizeof head->quantile[k]);
    }
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

/* The pieces [first, first + ranks): rank 0 has the first of them. */
static void lead_round(struct worker *w, struct h5put *p, const struct piece *pieces, size_t n,
                       size_t first, unsigned char *buffer, size_t most, struct planes_found *found)
{
    const struct maps_layout *l = &w->m->layout;
    int ranks;
    MPI_Comm_size(w->m->comm, &ranks);
    for (size_t i = first; i < n && i < first + (size_t)ranks; i++) {
        struct head head = {.st = ST_OK};
        if (i > first) {
            take_piece(w->m, p, (int)(i - first), pieces[i], buffer, most, &head);
        } else if (p->st == ST_OK && (p->st = make(w, pieces[i], &head, p->rep)) == ST_OK) {
            write_packed(l, p, open_piece(p, l, pieces[i]), H5T_NATIVE_FLOAT, &w->packed);
        }
        keep(l, found, pieces[i], &head);
    }
}

/* Room for the largest band of any piece. */
static size_t most_bytes(const struct maps_layout *l, const struct piece *pieces, size_t n)
{
    size_t most = 0;
    for (size_t i = 0; i < n; i++) {
        const struct packing how = packing_of(l, layout_layers(l, pieces[i].map), sizeof nothing,
                                              &nothing);
        if (pack_most(&how) > most) most = pack_most(&how);
    }
    return most;
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
    const size_t n = list(&m->layout, pieces), most = most_bytes(&m->layout, pieces, n);
    int ranks;
    struct worker w = {.fd = -1};
    unsigned char *buffer = NULL;
    MPI_Comm_size(m->comm, &ranks);
    if (p->st == ST_OK) p->st = worker_begin(&w, m, state, p->rep);
    if (p->st == ST_OK && !(buffer = malloc(most)))
        p->st = fail(p->rep, ST_MEMORY, "not enough memory to finish the maps");
    /* a rank without room for its part could take part in nothing that follows */
    p->st = agree(m->comm, p->st, p->rep);
    if (p->st == ST_OK) {
        share_state(m, state);
        for (size_t i = 0; another(m->comm, i < n && p->st == ST_OK); i += (size_t)ranks)
            lead_round(&w, p, pieces, n, i, buffer, most, found);
    }
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
    st = agree(m->comm, st, rep);
    if (st != ST_OK) goto done;
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
