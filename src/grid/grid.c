#include "grid/grid.h"

#include "grid/board.h"
#include "grid/schedule.h"
#include "maps/agree.h"

#include <math.h>
#include <stdlib.h>

struct worker {
    const struct grid_job *job;
    struct curve_work *curve;
    struct pixel_result *results; /* of one tile */
    struct board board;
    struct progress progress;
};

static size_t longest_segment(const struct volume_facts *f)
{
    size_t n = 0;
    for (int s = 0; s < SEG_COUNT; s++)
        if (f->seg[s].there && f->seg[s].n > n) n = f->seg[s].n;
    return n;
}

/* HDF5's cache of unpacked chunks of a segment's signal, and one packed chunk on its way. z per
 * curve is chunked alike. */
static double chunk_memory(const struct segment_facts *s)
{
    double bytes = s->n ? (double)s->sample_bytes / (double)s->n : 0, pieces = 1;
    if (!s->there || !s->chunked) return 0;
    for (int i = 0; i < 3; i++)
        bytes *= (double)s->chunk[i];
    if (s->chunk[2]) pieces = ceil((double)s->n / (double)s->chunk[2]);
    return (s->z_kind == Z_PER_CURVE ? 2.0 : 1.0) * bytes * (pieces + 1.0);
}

size_t grid_memory(const struct volume_facts *f)
{
    /* the idle program with MPI and HDF5, measured; work arrays of curve and fit, per sample (see
     * curve_work_new, fit_work_new: two sets of columns, 48 cosines) */
    enum { IDLE_BYTES = 24 << 20, DOUBLES_PER_SAMPLE = 120 };
    double chunks = 0;
    for (int i = 0; i < SEG_COUNT; i++)
        chunks += chunk_memory(&f->seg[i]);
    /* rank 0 holds one plane, states, flags, heights and slopes when it finishes the file */
    size_t finish = 29 * f->nx * f->ny;
    return IDLE_BYTES + f->tile_bytes + f->tile_rows * f->tile_cols * sizeof(struct pixel_result) +
           longest_segment(f) * DOUBLES_PER_SAMPLE * sizeof(double) + (size_t)chunks + finish;
}

static enum status worker_begin(struct worker *w, const struct grid_job *job, struct report *rep)
{
    const struct volume_facts *f = volume_facts(job->volume);
    int rank;
    MPI_Comm_rank(job->comm, &rank);
    *w = (struct worker){.job = job};
    w->curve = curve_work_new(longest_segment(f));
    w->results = malloc(f->tile_rows * f->tile_cols * sizeof *w->results);
    progress_begin(&w->progress, rank == 0 ? job->progress : NULL, "pixels", f->ny * f->nx);
    if (!w->curve || !w->results)
        return fail(rep, ST_MEMORY, "not enough memory for one tile of %zu x %zu pixels",
                    f->tile_rows, f->tile_cols);
    return ST_OK;
}

static void worker_end(struct worker *w)
{
    progress_end(&w->progress);
    board_close(&w->board);
    curve_work_free(w->curve);
    free(w->results);
}

static enum status do_tile(struct worker *w, size_t index, struct report *rep)
{
    const struct grid_job *job = w->job;
    struct tile t = volume_tile(job->volume, index);
    enum status st = volume_read_tile(job->volume, t, rep);
    if (st != ST_OK) return st;
    struct pixel_result *next = w->results;
    for (size_t row = t.row0; row < t.row0 + t.rows; row++)
        for (size_t col = t.col0; col < t.col0 + t.cols; col++) {
            struct raw_curve raw;
            volume_curve(job->volume, row, col, &raw);
            curve_analyse(job->plan, &raw, w->curve, next++, NULL);
            if (col % 8 == 0) board_answer(&w->board);
        }
    return maps_write_tile(job->maps, index, t, w->results, volume_tile_digest(job->volume), rep);
}

/* One tile, and the news of it. @return false when this rank is to stop */
static bool step(struct worker *w, size_t index, enum status *st, struct report *rep)
{
    if (board_has_failure(&w->board)) return false;
    *st = do_tile(w, index, rep);
    if (*st != ST_OK) {
        board_raise_failure(&w->board);
        return false;
    }
    struct tile t = volume_tile(w->job->volume, index);
    progress_show(&w->progress, board_add_done(&w->board, t.rows * t.cols));
    return true;
}

static enum status run_tiles(struct worker *w, struct report *rep)
{
    int rank, ranks;
    MPI_Comm_rank(w->job->comm, &rank);
    MPI_Comm_size(w->job->comm, &ranks);
    struct schedule s = schedule_make(volume_tile_count(w->job->volume), (size_t)ranks);
    enum status st = ST_OK;
    for (size_t i = 0; i < s.share; i++)
        if (!step(w, schedule_static(&s, (size_t)rank, i), &st, rep)) return st;
    for (;;) {
        size_t index = schedule_tail(&s, board_take_ticket(&w->board));
        if (index >= s.tiles || !step(w, index, &st, rep)) return st;
    }
}

enum status grid_run(const struct grid_job *job, struct report *rep)
{
    struct worker w;
    enum status st = agree(job->comm, worker_begin(&w, job, rep), rep);
    if (st == ST_OK) {
        board_open(&w.board, job->comm);
        st = agree(job->comm, run_tiles(&w, rep), rep);
    }
    worker_end(&w);
    return st;
}
