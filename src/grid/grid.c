#include "grid/grid.h"

#include "base/watch.h"
#include "grid/board.h"
#include "grid/schedule.h"
#include "grid/tiles.h"
#include "maps/agree.h"
#include "maps/parent.h"
#include "maps/store.h"

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
    /* the idle program with MPI and HDF5, measured */
    enum { IDLE_BYTES = 24 << 20 };
    double chunks = 0;
    for (int i = 0; i < SEG_COUNT; i++)
        chunks += chunk_memory(&f->seg[i]);
    /* rank 0 holds two planes, states, flags, heights, slopes and runs when it finishes the file */
    size_t finish = 39 * f->nx * f->ny;
    /* the recipe is not known here: all analyses, whose maps may have several layers */
    finish += 2 * (AXIS_LONGEST - 1) * sizeof(float) * f->nx * f->ny;
    return IDLE_BYTES + STORE_BYTES + f->tile_bytes +
           f->tile_rows * f->tile_cols * sizeof(struct pixel_result) +
           curve_work_bytes(longest_segment(f)) + (size_t)chunks + finish;
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
    w->progress.before = job->pixels_done;
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

/* Of the tile that was read last. */
static void one_pixel(struct worker *w, size_t row, size_t col, struct pixel_result *out)
{
    const struct grid_job *job = w->job;
    const struct curve_hint *known = NULL;
    struct curve_hint hint;
    struct raw_curve raw;
    if (job->parent && parent_keeps(job->parent, row, col, out)) return;
    if (job->parent) known = parent_hint(job->parent, row, col, &hint);
    volume_curve(job->volume, row, col, &raw);
    curve_analyse_from(job->plan, &raw, known, w->curve, out, NULL);
}

/* Analyse and write a part of the tile that was read last. */
static enum status do_part(struct worker *w, size_t index, struct tile part, struct digest digest,
                           struct report *rep)
{
    const struct grid_job *job = w->job;
    struct pixel_result *next = w->results;
    for (size_t row = part.row0; row < part.row0 + part.rows; row++)
        for (size_t col = part.col0; col < part.col0 + part.cols; col++) {
            one_pixel(w, row, col, next++);
            board_beat(&w->board);
        }
    enum status st = maps_write_tile(job->maps, index, part, w->results, digest, rep);
    if (st == ST_OK)
        progress_show(&w->progress,
                      job->pixels_done + board_add_done(&w->board, part.rows * part.cols));
    return st;
}

/* Only the pixels that are not done: each run of them along a row is a part. */
static enum status do_torn(struct worker *w, size_t index, struct tile t, const uint8_t *done,
                           struct digest digest, struct report *rep)
{
    enum status st = ST_OK;
    for (size_t i = 0; i < t.rows && st == ST_OK; i++)
        for (size_t j = 0, n; j < t.cols && st == ST_OK; j += n) {
            const uint8_t *row = done + i * t.cols;
            for (n = 1; j + n < t.cols && row[j + n] == row[j];)
                n++;
            if (!row[j])
                st = do_part(w, index, (struct tile){t.row0 + i, t.col0 + j, 1, n}, digest, rep);
        }
    return st;
}

static enum status changed_input(const struct grid_job *job, struct tile t, struct report *rep)
{
    return fail(rep, ST_INPUT,
                "input_digest: the samples of %s from column %zu, row %zu on are not those that %s "
                "was begun with; go on with the volume as it was, or begin again with --overwrite",
                volume_facts(job->volume)->path, t.col0, t.row0, maps_part_path(job->maps));
}

static bool same_digest(struct digest a, struct digest b)
{
    return a.high == b.high && a.low == b.low;
}

static enum status check_tile(struct worker *w, size_t index, struct report *rep)
{
    const struct grid_job *job = w->job;
    struct tile t = volume_tile(job->volume, index);
    enum status st = volume_read_tile(job->volume, t, rep);
    if (st == ST_OK &&
        !same_digest(volume_tile_digest(job->volume), maps_tile_digest(job->maps, index)))
        st = changed_input(job, t, rep);
    return st;
}

static enum status work_tile(struct worker *w, size_t index, struct report *rep)
{
    const struct grid_job *job = w->job;
    const uint8_t *done = maps_tile_done(job->maps, index);
    struct tile t = volume_tile(job->volume, index);
    enum status st = volume_read_tile(job->volume, t, rep);
    if (st != ST_OK) return st;
    struct digest digest = volume_tile_digest(job->volume);
    if (done && !same_digest(digest, maps_tile_digest(job->maps, index)))
        return changed_input(job, t, rep);
    return done ? do_torn(w, index, t, done, digest, rep) : do_part(w, index, t, digest, rep);
}

/* One tile. @return false when this rank is to stop */
static bool step(struct worker *w, enum board_pass pass, size_t index, enum status *st,
                 struct report *rep)
{
    enum board_halt halt = board_read_halt(&w->board);
    if (halt == BOARD_GO && stop_asked(&w->job->stop)) {
        board_raise(&w->board, BOARD_STOP);
        halt = BOARD_STOP;
    }
    if (halt != BOARD_GO) return false;
    board_beat(&w->board);
    *st = pass == PASS_CHECK ? check_tile(w, index, rep) : work_tile(w, index, rep);
    if (*st != ST_OK) board_raise(&w->board, BOARD_FAILED);
    return *st == ST_OK;
}

static enum status run_pass(struct worker *w, enum board_pass pass, const struct tile_list *tiles,
                            struct report *rep)
{
    int rank, ranks;
    MPI_Comm_rank(w->job->comm, &rank);
    MPI_Comm_size(w->job->comm, &ranks);
    const struct schedule s = schedule_make(tiles->n, (size_t)ranks);
    enum status st = ST_OK;
    for (struct tile_run run = schedule_static(&s, (size_t)rank);;) {
        for (size_t i = 0; i < run.n; i++)
            if (!step(w, pass, tiles->index[run.first + i], &st, rep)) return st;
        run = schedule_tail(&s, board_take_ticket(&w->board, pass));
        if (run.n == 0) return st;
    }
}

/* All tiles of a pass, and all ranks at its end. */
static enum status do_pass(struct worker *w, enum board_pass pass, struct report *rep)
{
    struct tile_list tiles;
    struct report saving;
    enum status st = agree(w->job->comm,
                           tile_list_make(&tiles, w->job->maps, volume_tile_count(w->job->volume),
                                          pass == PASS_CHECK, rep),
                           rep);
    if (st != ST_OK) return st;
    st = run_pass(w, pass, &tiles, rep);
    enum status saved = maps_checkpoint(w->job->maps, &saving);
    if (st == ST_OK && saved != ST_OK) {
        *rep = saving;
        st = saved;
    }
    board_meet(&w->board, pass);
    tile_list_free(&tiles);
    return agree(w->job->comm, st, rep);
}

/* Was the run stopped with something left to do? */
static enum status look_at_stop(struct worker *w, struct report *rep)
{
    const struct grid_job *job = w->job;
    const struct volume_facts *f = volume_facts(job->volume);
    uint64_t done = job->pixels_done + board_add_done(&w->board, 0);
    char why[96];
    int left = done < f->ny * f->nx;
    watch_enter();
    MPI_Bcast(&left, 1, MPI_INT, 0, job->comm);
    watch_leave();
    if (!left || board_read_halt(&w->board) != BOARD_STOP) return ST_OK;
    stop_words(&job->stop, job->comm, why, sizeof why);
    return fail(rep, ST_STOPPED, "stopped, since %s: %llu of %zu pixels are done", why,
                (unsigned long long)done, f->ny * f->nx);
}

enum status grid_run(const struct grid_job *job, struct report *rep)
{
    struct worker w;
    enum status st = agree(job->comm, worker_begin(&w, job, rep), rep);
    if (st == ST_OK) {
        board_open(&w.board, job->comm, job->beat_s);
        st = do_pass(&w, PASS_CHECK, rep);
        /* after a stop this pass ends at its first tile, on all ranks alike */
        if (st == ST_OK) st = do_pass(&w, PASS_WORK, rep);
        if (st == ST_OK) st = look_at_stop(&w, rep);
    }
    worker_end(&w);
    return st;
}

enum status grid_digest(struct volume *volume, MPI_Comm comm, FILE *progress, struct digest *out,
                        struct report *rep)
{
    int rank, ranks;
    uint64_t part[2], (*all)[2] = NULL;
    struct progress line;
    enum status st = ST_OK;
    MPI_Comm_rank(comm, &rank);
    MPI_Comm_size(comm, &ranks);
    *out = (struct digest){0, 0};
    progress_begin(&line, rank == 0 ? progress : NULL, "tiles read for the digest",
                   volume_tile_count(volume));
    for (size_t i = (size_t)rank; i < volume_tile_count(volume) && st == ST_OK;
         i += (size_t)ranks) {
        st = volume_read_tile(volume, volume_tile(volume, i), rep);
        if (st == ST_OK) digest_add(out, volume_tile_digest(volume));
        progress_show(&line, i + 1);
    }
    progress_end(&line);
    all = malloc((size_t)ranks * sizeof *all);
    if (!all && st == ST_OK) st = fail(rep, ST_MEMORY, "not enough memory for %d ranks", ranks);
    st = agree(comm, st, rep);
    if (st == ST_OK) {
        part[0] = out->high;
        part[1] = out->low;
        watch_enter();
        MPI_Allgather(part, 2, MPI_UINT64_T, all, 2, MPI_UINT64_T, comm);
        watch_leave();
        *out = (struct digest){0, 0};
        for (int i = 0; i < ranks; i++)
            digest_add(out, (struct digest){all[i][0], all[i][1]});
    }
    free(all);
    return st;
}
