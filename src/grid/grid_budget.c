#include "grid/grid.h"

#include "base/watch.h"
#include "maps/agree.h"
#include "maps/parent.h"

#include <stdlib.h>

/* The tile that holds a pixel; the number of tiles if none does. */
static size_t tile_of(const struct volume *v, size_t row, size_t col)
{
    size_t i = 0, n = volume_tile_count(v);
    for (; i < n; i++) {
        struct tile t = volume_tile(v, i);
        if (row >= t.row0 && row - t.row0 < t.rows && col >= t.col0 && col - t.col0 < t.cols) break;
    }
    return i;
}

struct bench {
    struct raw_curve curve; /* borrows from the volume's tile */
    struct budget_job job;
    struct curve_hint hint;
    double (*ratio)[BUDGET_COUNT];
    struct progress progress;
};

static enum status read_pixel(const struct grid_job *job, const struct budget *b, struct bench *w,
                              struct report *rep)
{
    const struct volume_facts *f = volume_facts(job->volume);
    size_t longest = 0, index = tile_of(job->volume, b->row, b->col);
    for (int s = 0; s < SEG_COUNT; s++)
        if (f->seg[s].there && f->seg[s].n > longest) longest = f->seg[s].n;
    if (index == volume_tile_count(job->volume))
        return fail(rep, ST_BUG, "no tile holds row %zu, column %zu", b->row, b->col);
    enum status st = volume_read_tile(job->volume, volume_tile(job->volume, index), rep);
    if (st != ST_OK) return st;
    volume_curve(job->volume, b->row, b->col, &w->curve);
    w->job = (struct budget_job){
        .plan = job->plan, .curve = &w->curve, .work = curve_work_new(longest)};
    if (job->parent) w->job.hint = parent_hint(job->parent, b->row, b->col, &w->hint);
    return w->job.work
               ? ST_OK
               : fail(rep, ST_MEMORY, "not enough memory for curves of %zu samples", longest);
}

/* All that this rank does alone. */
static enum status prepare(const struct grid_job *job, struct bench *w, struct budget *b,
                           struct report *rep)
{
    const size_t row = b->row, col = b->col;
    int rank, ranks;
    MPI_Comm_rank(job->comm, &rank);
    MPI_Comm_size(job->comm, &ranks);
    enum status st = read_pixel(job, b, w, rep);
    if (st == ST_OK) st = budget_linear(&w->job, b, rep);
    b->row = row;
    b->col = col;
    if (st != ST_OK || b->draws == 0) return st;
    w->ratio = calloc(b->draws, sizeof *w->ratio);
    if (!w->ratio) return fail(rep, ST_MEMORY, "not enough memory for %zu draws", b->draws);
    progress_begin(&w->progress, rank == 0 ? job->progress : NULL, "draws of the uncertainty",
                   b->draws);
    w->job.progress = &w->progress;
    st = budget_draw(&w->job, b, (size_t)rank, (size_t)ranks, w->ratio, rep);
    progress_end(&w->progress);
    return st;
}

enum status grid_budget(const struct grid_job *job, struct budget *out, bool *there,
                        struct report *rep)
{
    struct bench w = {.ratio = NULL};
    size_t row, col;
    *there = false;
    enum status st = maps_typical_pixel(job->maps, there, &row, &col, rep);
    if (st != ST_OK || !*there) return st;
    *out = (struct budget){.row = row, .col = col};
    st = agree(job->comm, prepare(job, &w, out, rep), rep);
    /* each row was filled by one rank and is zero on the others, so the sum is exact */
    if (st == ST_OK && out->draws > 0) {
        watch_enter();
        MPI_Allreduce(MPI_IN_PLACE, w.ratio, (int)(out->draws * BUDGET_COUNT), MPI_DOUBLE, MPI_SUM,
                      job->comm);
        watch_leave();
    }
    if (st == ST_OK) st = agree(job->comm, budget_close(out, w.ratio, rep), rep);
    *there = false;
    for (int q = 0; q < BUDGET_COUNT; q++)
        if (st == ST_OK && out->result[q].there) *there = true;
    curve_work_free(w.job.work);
    free(w.ratio);
    return st;
}
