#include "maps/maps_private.h"

#include "base/watch.h"
#include "maps/agree.h"
#include "maps/statistics.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Index of the pixel, n if there is none. @param sorted [n] is lost */
static size_t choose(const float *modulus, float *sorted, const uint8_t *state, size_t n)
{
    double quantile[QUANTILE_COUNT], nearest = INFINITY;
    size_t at = n;
    memcpy(sorted, modulus, n * sizeof *sorted);
    statistics_of_map(sorted, state, n, quantile);
    for (int s = STATE_accepted; s <= STATE_doubtful && at == n; s++)
        for (size_t i = 0; i < n; i++) {
            double off = fabs((double)modulus[i] - quantile[2]);
            if (state[i] == s && off < nearest) nearest = off, at = i;
        }
    return at;
}

static enum status choose_alone(const struct maps *m, size_t *at, struct report *rep)
{
    const size_t n = m->layout.ny * m->layout.nx;
    float *modulus = malloc(n * sizeof *modulus), *sorted = malloc(n * sizeof *sorted);
    uint8_t *state = malloc(n);
    enum status st = ST_OK;
    if (!modulus || !sorted || !state) {
        st = fail(rep, ST_MEMORY, "%s: not enough memory to look at %zu pixels", m->path, n);
    } else if ((st = maps_read_planes(m, modulus, state, NULL, rep)) == ST_OK) {
        *at = choose(modulus, sorted, state, n);
    }
    free(modulus);
    free(sorted);
    free(state);
    return st;
}

enum status maps_typical_pixel(struct maps *m, bool *found, size_t *row, size_t *col,
                               struct report *rep)
{
    const struct maps_layout *l = &m->layout;
    const size_t n = l->ny * l->nx;
    unsigned long long chosen = n;
    size_t at = n;
    enum status st = ST_OK;
    st = agree(m->comm, maps_checkpoint(m, rep), rep);
    if (st == ST_OK && m->rank == 0) st = choose_alone(m, &at, rep);
    st = agree(m->comm, st, rep);
    if (st != ST_OK) return st;
    chosen = at;
    watch_enter();
    MPI_Bcast(&chosen, 1, MPI_UNSIGNED_LONG_LONG, 0, m->comm);
    watch_leave();
    *found = chosen < n;
    *row = (size_t)chosen / l->nx;
    *col = (size_t)chosen % l->nx;
    if (*found && l->rows_reversed) *row = l->ny - 1 - *row;
    if (*found && l->columns_reversed) *col = l->nx - 1 - *col;
    return ST_OK;
}
