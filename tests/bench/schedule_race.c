/* Who works how long: the program's own schedule (grid/schedule.h) played on many ranks, with
 * measured costs of pixels. Each tile asks the board of rank 0 (grid/board.h) as the program does:
 * whether somebody failed, then its work, then the count of pixels done; tiles of the tail ask for
 * a ticket first, for a run of them. Rank 0's memory answers one question after the other.
 *
 * A network that does such questions by itself answers at any time; without one, rank 0 answers
 * when it lets MPI do so, between pixels (board_beat in grid.c; here every ANSWER of them). Both
 * are played.
 *
 * Reading is in no cost, nor is the start of the program: this is about the division of the work
 * alone.
 *
 *   schedule_race COSTS [LATENCY_US [SERVICE_NS [SHARE]]]
 *
 * COSTS from pixel_cost; SHARE: static part of the tiles, instead of the program's own choice.
 * One line of JSON for each number of ranks and tiles; efficiency = ideal time over time, where
 * ideal is all costs divided by the ranks. */
#include "grid/schedule.h"

#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>

struct costs {
    size_t nx, ny;
    double *us; /* [ny][nx] */
};

enum { ANSWER = 8 };

struct board_model {
    double latency_us, service_us; /* there and back; how long one question occupies the memory */
    double answer_us; /* rank 0 answers only now and then during a tile: no help from the network */
    double free_at, owner_busy_until;
    size_t asked;
};

static double ask(struct board_model *b, double now)
{
    double arrives = now + 0.5 * b->latency_us;
    if (b->answer_us > 0 && arrives < b->owner_busy_until)
        arrives = fmin(ceil(arrives / b->answer_us) * b->answer_us, b->owner_busy_until);
    b->free_at = fmax(b->free_at, arrives) + b->service_us;
    b->asked++;
    return b->free_at + 0.5 * b->latency_us;
}

/* What a rank does at its next turn. */
enum turn { TURN_BEGIN, TURN_LOOK, TURN_WORK, TURN_TICKET };

struct rank {
    double at; /* us */
    enum turn turn;
    struct tile_run run; /* what is left of it */
    size_t tile;
};

/* A heap of ranks, earliest first: questions reach the board in the order of time. */
struct queue {
    struct rank *rank;
    size_t *heap, n;
};

static void sink(struct queue *q, size_t i)
{
    for (;;) {
        size_t least = i, l = 2 * i + 1;
        for (size_t c = l; c < l + 2 && c < q->n; c++)
            if (q->rank[q->heap[c]].at < q->rank[q->heap[least]].at) least = c;
        if (least == i) return;
        size_t swap = q->heap[i];
        q->heap[i] = q->heap[least], q->heap[least] = swap;
        i = least;
    }
}

static struct schedule schedule_asked(size_t tiles, size_t ranks, double share)
{
    struct schedule s = schedule_make(tiles, ranks);
    if (share >= 0) s.share = (size_t)(share * (double)(tiles / ranks));
    return s;
}

/* When the last rank is done. */
static double play(const struct schedule *s, const double *tile_us, struct board_model *board)
{
    struct queue q = {.rank = calloc(s->ranks, sizeof *q.rank),
                      .heap = calloc(s->ranks, sizeof *q.heap),
                      .n = s->ranks};
    size_t ticket = 0;
    double end = 0;
    for (size_t r = 0; r < s->ranks; r++) {
        q.heap[r] = r;
        q.rank[r].run = schedule_static(s, r);
    }
    while (q.n > 0) {
        size_t id = q.heap[0];
        struct rank *r = &q.rank[id];
        bool stays = true;
        switch (r->turn) {
        case TURN_BEGIN:
            r->turn = r->run.n > 0 ? TURN_LOOK : TURN_TICKET;
            if (r->run.n > 0) r->tile = r->run.first++, r->run.n--;
            break;
        case TURN_TICKET:
            r->run = schedule_tail(s, ticket++);
            r->at = ask(board, r->at);
            stays = r->run.n > 0;
            r->turn = TURN_BEGIN;
            break;
        case TURN_LOOK: /* has somebody failed? then the work */
            r->at = ask(board, r->at) + tile_us[r->tile];
            r->turn = TURN_WORK;
            if (id == 0) board->owner_busy_until = r->at;
            break;
        case TURN_WORK: /* pixels done */
            r->at = ask(board, r->at);
            r->turn = TURN_BEGIN;
            break;
        }
        if (!stays) {
            end = fmax(end, r->at);
            q.heap[0] = q.heap[--q.n];
        }
        sink(&q, 0);
    }
    free(q.rank);
    free(q.heap);
    return end;
}

/* Tiles cut from the measured map, each a run of `pixels` from a place of its own: tiles know
 * nothing of each other. */
static void cut_at_random(const struct costs *c, size_t tiles, size_t pixels, gsl_rng *rng,
                          double *out)
{
    size_t all = c->nx * c->ny;
    double *before = calloc(all + pixels + 1, sizeof *before); /* running sums */
    for (size_t i = 0; i < all + pixels; i++)
        before[i + 1] = before[i] + c->us[i % all];
    for (size_t t = 0; t < tiles; t++) {
        size_t from = gsl_rng_uniform_int(rng, all);
        out[t] = before[from + pixels] - before[from];
    }
    free(before);
}

/* The measured map enlarged until it has that many tiles, in the order of the file: what lies
 * together in the map (an island, a bad line, an area without curves) fills many tiles in a row.
 * One pixel in eight is looked up and stands for its neighbours. */
static void cut_in_order(const struct costs *c, size_t tiles, size_t pixels, double *out)
{
    enum { STEP = 8 };
    double all = (double)(c->nx * c->ny), want = (double)(tiles * pixels), zoom = sqrt(want / all);
    size_t columns = (size_t)ceil((double)c->nx * zoom);
    for (size_t t = 0; t < tiles; t++) {
        out[t] = 0;
        for (size_t i = 0; i < pixels; i += STEP) {
            size_t at = t * pixels + i;
            size_t col = (size_t)((double)(at % columns) / zoom);
            size_t row = (size_t)((double)(at / columns) / zoom);
            if (col >= c->nx) col = c->nx - 1;
            if (row >= c->ny) row = c->ny - 1;
            out[t] += STEP * c->us[row * c->nx + col];
        }
    }
}

static void print_race(const char *order, const struct schedule *s, size_t pixels,
                       const double *tile_us, struct board_model board)
{
    double total = 0, most = 0, square = 0;
    for (size_t t = 0; t < s->tiles; t++)
        total += tile_us[t], square += tile_us[t] * tile_us[t], most = fmax(most, tile_us[t]);
    double ideal = total / (double)s->ranks, mean = total / (double)s->tiles;
    struct board_model waiting = board;
    waiting.answer_us = ANSWER * mean / (double)pixels;
    double end = play(s, tile_us, &board), end_waiting = play(s, tile_us, &waiting);
    printf("{\"order\": \"%s\", \"ranks\": %zu, \"tiles_a_rank\": %zu, \"share\": %zu, "
           "\"pixels_a_tile\": %zu, \"tile_ms\": %.4g, \"spread\": %.3f, \"largest\": %.2f, "
           "\"efficiency\": %.4f, \"board_busy\": %.4f, \"when_owner_must_answer\": %.4f}\n",
           order, s->ranks, s->tiles / s->ranks, s->share, pixels, 1e-3 * mean,
           sqrt(fmax(square / (double)s->tiles - mean * mean, 0)) / mean, most / mean, ideal / end,
           (double)board.asked * board.service_us / end, ideal / end_waiting);
}

static bool costs_load(struct costs *c, const char *path)
{
    FILE *f = fopen(path, "r");
    bool good = f && fscanf(f, "%zu %zu", &c->nx, &c->ny) == 2;
    if (good) c->us = malloc(c->nx * c->ny * sizeof *c->us);
    for (size_t i = 0; good && i < c->nx * c->ny; i++)
        good = fscanf(f, "%lf", &c->us[i]) == 1;
    if (f) fclose(f);
    return good;
}

int main(int argc, char **argv)
{
    struct costs c = {0};
    static const size_t ranks[] = {2, 16, 128, 1024, 4096, 16384}, each[] = {10, 40};
    enum { PIXELS = 1024 };
    if (argc < 2 || !costs_load(&c, argv[1])) {
        fprintf(stderr, "usage: schedule_race COSTS [LATENCY_US [SERVICE_NS [SHARE]]]\n");
        return 1;
    }
    struct board_model board = {.latency_us = argc > 2 ? strtod(argv[2], NULL) : 5,
                                .service_us = 1e-3 * (argc > 3 ? strtod(argv[3], NULL) : 500)};
    double share = argc > 4 ? strtod(argv[4], NULL) : -1;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    for (size_t e = 0; e < sizeof each / sizeof *each; e++)
        for (size_t i = 0; i < sizeof ranks / sizeof *ranks; i++) {
            struct schedule s = schedule_asked(each[e] * ranks[i], ranks[i], share);
            double *tile_us = malloc(s.tiles * sizeof *tile_us);
            cut_at_random(&c, s.tiles, PIXELS, rng, tile_us);
            print_race("random", &s, PIXELS, tile_us, board);
            cut_in_order(&c, s.tiles, PIXELS, tile_us);
            print_race("in order", &s, PIXELS, tile_us, board);
            free(tile_us);
        }
    gsl_rng_free(rng);
    free(c.us);
    return 0;
}
