#include "grid/drift.h"

#include "base/progress.h"
#include "base/watch.h"
#include "maps/agree.h"

#include <math.h>
#include <stdlib.h>

enum { TILES = 16, CURVES = 256, NUMBERS = sizeof(struct walk_curve) / sizeof(double) };

struct survey {
    struct volume *v;
    const struct curve_plan *plan;
    struct curve_work *work;
    struct progress progress;
    size_t tiles, per_tile;          /* that are looked into */
    struct walk_curve curve[CURVES]; /* all zero where another rank has it */
};

/* Some pixels of the i-th tile that is looked into, each in the middle of its share. */
static enum status look(struct survey *s, size_t i, struct report *rep)
{
    size_t all = volume_tile_count(s->v);
    struct tile t = volume_tile(s->v, (2 * i + 1) * all / (2 * s->tiles));
    size_t pixels = t.rows * t.cols, n = pixels < s->per_tile ? pixels : s->per_tile;
    enum status st = volume_read_tile(s->v, t, rep);
    for (size_t k = 0; k < n && st == ST_OK; k++) {
        size_t pixel = (2 * k + 1) * pixels / (2 * n);
        struct raw_curve raw;
        const double *rest;
        volume_curve(s->v, t.row0 + pixel / t.cols, t.col0 + pixel % t.cols, &raw);
        size_t quiet = curve_off_surface(s->plan, &raw, s->work, &rest);
        if (quiet > 0) walk_look(rest, quiet, &s->curve[i * s->per_tile + k]);
    }
    return st;
}

/* One tile of each rank in turn: who waits for the others hears from them after each. */
static enum status look_in_turns(struct survey *s, MPI_Comm comm, size_t rank, size_t ranks,
                                 struct report *rep)
{
    enum status st = ST_OK;
    for (size_t i = 0; i < s->tiles && st == ST_OK; i += ranks) {
        if (i + rank < s->tiles) st = look(s, i + rank, rep);
        st = agree(comm, st, rep);
        progress_show(&s->progress, i + 1);
    }
    return st;
}

static enum status survey(struct survey *s, MPI_Comm comm, FILE *progress, struct report *rep)
{
    const struct volume_facts *f = volume_facts(s->v);
    size_t longest = 0;
    int rank, ranks;
    for (int id = 0; id < SEG_COUNT; id++)
        if (f->seg[id].there && f->seg[id].n > longest) longest = f->seg[id].n;
    MPI_Comm_rank(comm, &rank);
    MPI_Comm_size(comm, &ranks);
    s->tiles = volume_tile_count(s->v) < TILES ? volume_tile_count(s->v) : TILES;
    s->per_tile = CURVES / s->tiles;
    progress_begin(&s->progress, rank == 0 ? progress : NULL, "parts looked at for drift",
                   s->tiles);
    enum status st = ST_OK;
    s->work = curve_work_new(longest);
    if (!s->work) st = fail(rep, ST_MEMORY, "not enough memory for curves of %zu samples", longest);
    st = agree(comm, st, rep);
    if (st == ST_OK) st = look_in_turns(s, comm, (size_t)rank, (size_t)ranks, rep);
    curve_work_free(s->work);
    progress_end(&s->progress);
    if (st != ST_OK) return st;
    /* each number was set by one rank and is zero on the others, so the sum is exact */
    watch_enter();
    MPI_Allreduce(MPI_IN_PLACE, s->curve, CURVES * NUMBERS, MPI_DOUBLE, MPI_SUM, comm);
    watch_leave();
    return ST_OK;
}

enum status grid_drift(struct volume *v, struct curve_plan *plan, MPI_Comm comm, FILE *progress,
                       struct report *rep)
{
    if (!plan->drift_from_volume) return ST_OK;
    struct survey *s = calloc(1, sizeof *s);
    enum status st = s ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for the search for drift");
    st = agree(comm, st, rep);
    if (st == ST_OK) {
        s->v = v;
        s->plan = plan;
        st = survey(s, comm, progress, rep);
    }
    if (st == ST_OK) walk_find(s->curve, CURVES, &plan->drift_seen);
    if (st == ST_OK && plan->drift_seen.step > 0) plan->drift_m = plan->drift_seen.step;
    free(s);
    return st;
}
