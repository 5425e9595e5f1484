#include "grid/substrate.h"

#include "base/progress.h"
#include "base/watch.h"
#include "curve/thickness.h"
#include "maps/agree.h"

#include <math.h>
#include <stdlib.h>

enum { MOST = 4096 }; /* more would know the plane no better than a scanner keeps it */

struct pick {
    size_t tile, row, col;
};

struct survey {
    struct volume *v;
    const struct curve_plan *plan;
    struct progress progress;
    size_t found, taken;    /* pixels of the substrate, those that are looked at */
    struct pick pick[MOST]; /* in the order of tiles */
    double height[MOST];    /* 0 where another rank has it */
};

/* Walk over the substrate's pixels; every stride-th is taken. stride 0: count only. */
static void walk_tile(struct survey *s, size_t index, const double *marked, size_t stride)
{
    const struct volume_facts *f = volume_facts(s->v);
    struct tile t = volume_tile(s->v, index);
    for (size_t i = 0; i < t.rows * t.cols; i++) {
        size_t row = t.row0 + i / t.cols, col = t.col0 + i % t.cols;
        if (!thickness_is_substrate(s->plan, f->x_m[col], f->y_m[row], marked[i] != 0)) continue;
        if (stride && s->found % stride == 0) s->pick[s->taken++] = (struct pick){index, row, col};
        s->found++;
    }
}

static enum status walk(struct survey *s, double *marked, size_t stride, struct report *rep)
{
    enum status st = ST_OK;
    s->found = s->taken = 0;
    for (size_t i = 0; i < volume_tile_count(s->v) && st == ST_OK; i++) {
        st = volume_read_substrate(s->v, volume_tile(s->v, i), marked, rep);
        if (st == ST_OK) walk_tile(s, i, marked, stride);
    }
    return st;
}

static enum status pick_pixels(struct survey *s, struct report *rep)
{
    const struct volume_facts *f = volume_facts(s->v);
    double *marked = malloc(f->tile_rows * f->tile_cols * sizeof *marked);
    if (!marked) return fail(rep, ST_MEMORY, "not enough memory for one tile of the substrate");
    enum status st = walk(s, marked, 0, rep);
    if (st == ST_OK) st = walk(s, marked, (s->found + MOST - 1) / MOST, rep);
    free(marked);
    return st;
}

/* Heights of this rank's share: tiles that hold picks go round the ranks. */
static enum status measure(struct survey *s, int rank, int ranks, struct report *rep)
{
    const struct volume_facts *f = volume_facts(s->v);
    const struct curve_plan plan = thickness_substrate_plan(s->plan);
    size_t longest = 0, turn = 0, read = SIZE_MAX;
    enum status st = ST_OK;
    for (int id = 0; id < SEG_COUNT; id++)
        if (f->seg[id].there && f->seg[id].n > longest) longest = f->seg[id].n;
    struct curve_work *work = curve_work_new(longest);
    if (!work) return fail(rep, ST_MEMORY, "not enough memory for curves of %zu samples", longest);
    for (size_t i = 0; i < s->taken && st == ST_OK; i++) {
        struct raw_curve raw;
        struct pixel_result result;
        const struct pick *p = &s->pick[i];
        turn += i > 0 && p->tile != s->pick[i - 1].tile;
        if (turn % (size_t)ranks != (size_t)rank) continue;
        if (read != p->tile) st = volume_read_tile(s->v, volume_tile(s->v, p->tile), rep);
        read = p->tile;
        if (st != ST_OK) break;
        volume_curve(s->v, p->row, p->col, &raw);
        curve_analyse(&plan, &raw, work, &result, NULL);
        s->height[i] = thickness_substrate_height(&result);
        progress_show(&s->progress, i + 1);
    }
    curve_work_free(work);
    return st;
}

/* Along an axis of several pixels the substrate must be seen in more than one place. */
static bool spans(const double *at, size_t n)
{
    for (size_t i = 1; i < n; i++)
        if (at[i] != at[0]) return true;
    return false;
}

static enum status fit(struct survey *s, struct plane *out, struct report *rep)
{
    const struct volume_facts *f = volume_facts(s->v);
    double x[MOST], y[MOST];
    size_t n = 0;
    for (size_t i = 0; i < s->taken; i++) {
        if (!isfinite(s->height[i])) continue;
        x[n] = f->x_m[s->pick[i].col];
        y[n] = f->y_m[s->pick[i].row];
        s->height[n++] = s->height[i];
    }
    enum status st = ST_OK;
    if (n >= PLANE_FEWEST && ((f->nx > 1 && !spans(x, n)) || (f->ny > 1 && !spans(y, n))))
        st = fail(rep, ST_INPUT,
                  "all %zu lie in one row or column: they cannot tell how it is "
                  "tilted",
                  n);
    if (st == ST_OK) st = plane_fit(x, y, s->height, n, out, rep);
    if (st == ST_OK) return st;
    return within(rep, st,
                  "%s: plane of the substrate, from %zu of its %zu pixels with a contact "
                  "point (sample.thickness_from): ",
                  f->path, n, s->found);
}

static enum status survey(struct survey *s, struct plane *out, MPI_Comm comm, FILE *progress,
                          struct report *rep)
{
    int rank, ranks;
    MPI_Comm_rank(comm, &rank);
    MPI_Comm_size(comm, &ranks);
    enum status st = agree(comm, pick_pixels(s, rep), rep);
    progress_begin(&s->progress, rank == 0 ? progress : NULL, "pixels of the substrate", s->taken);
    if (st == ST_OK) st = agree(comm, measure(s, rank, ranks, rep), rep);
    progress_end(&s->progress);
    if (st != ST_OK) return st;
    /* each height was set by one rank and is zero on the others, so the sum is exact */
    watch_enter();
    MPI_Allreduce(MPI_IN_PLACE, s->height, (int)s->taken, MPI_DOUBLE, MPI_SUM, comm);
    watch_leave();
    st = agree(comm, rank == 0 ? fit(s, out, rep) : ST_OK, rep);
    watch_enter();
    MPI_Bcast(out, (int)sizeof *out, MPI_BYTE, 0, comm);
    watch_leave();
    return st;
}

enum status grid_substrate(struct volume *v, struct curve_plan *plan, MPI_Comm comm, FILE *progress,
                           struct report *rep)
{
    if (!plan->thickness_from_substrate) return ST_OK;
    struct survey *s = calloc(1, sizeof *s);
    struct plane found = {0};
    enum status st = s ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for the substrate");
    st = agree(comm, st, rep);
    if (st == ST_OK) {
        s->v = v;
        s->plan = plan;
        st = survey(s, &found, comm, progress, rep);
    }
    if (st == ST_OK) plan->substrate = found;
    free(s);
    return st;
}
