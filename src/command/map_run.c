/* From a plan to a finished map file: what `map` and `refit` share. */
#include "command/map_run.h"

#include "base/signals.h"
#include "base/watch.h"
#include "command/map_summary.h"
#include "curve/lateral.h"
#include "grid/grid.h"
#include "maps/agree.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* Signals and the watch over waiting, from here to the end of the process. `words` lives as long.
 */
enum status map_run_watch(const struct map_options *o, const struct world *world,
                          struct report *rep)
{
    static char words[1024]; /* the watch has it until the process ends */
    char host[128] = "";
    gethostname(host, sizeof host - 1);
    snprintf(words, sizeof words,
             "cantle %s: rank %d on %s has waited %g s for other ranks without a sign of life: a "
             "host or its connection is lost (what is done is kept in %s.part; the same command "
             "with --resume goes on)\n",
             o->command, world->rank, host, o->no_progress_s, o->output);
    signals_watch(status_exit(ST_STOPPED));
    return watch_start(o->no_progress_s, status_exit(ST_STOPPED), words, rep);
}

enum status map_run_plan(struct map_run *run, struct report *rep)
{
    const struct volume_facts *f = volume_facts(run->volume);
    enum signal_stage stages[SEG_COUNT];
    bool there[SEG_COUNT], twist[SEG_COUNT];
    for (int s = 0; s < SEG_COUNT; s++) {
        stages[s] = f->seg[s].stage;
        there[s] = f->seg[s].there;
        twist[s] = f->seg[s].lateral_volts;
    }
    enum status st = curve_plan_make(&run->recipe, &f->lever, stages, there, &run->plan, rep);
    if (st == ST_OK) st = lateral_check(&run->plan, twist, rep);
    run->plan.pixel_pitch_m = volume_pixel_pitch(f);
    return st;
}

/* All that the maps are made from, for the file. */
enum status map_run_origin(const struct map_options *o, const struct map_run *run,
                           const char *command_line, struct maps_origin *out, struct report *rep)
{
    *out = (struct maps_origin){
        .recipe = &run->recipe,
        .plan = &run->plan,
        .volume = volume_facts(run->volume),
        .command_line = command_line,
        .mapping_path = o->mapping,
        .mapping_text = run->mapping_text && *run->mapping_text ? run->mapping_text : NULL,
        .n_tiles = volume_tile_count(run->volume),
        .checkpoint_s = o->checkpoint_s,
        .parent = run->parent};
    return volume_setup_digest(run->volume, &out->setup, rep);
}

/* By one rank; all hear of it. */
static enum status tell(const struct map_options *o, const struct map_outcome *outcome,
                        const struct world *world, struct report *rep)
{
    enum status st = ST_OK;
    if (world->rank == 0 && o->json)
        st = map_summary_json(outcome, rep);
    else if (world->rank == 0 && !o->quiet)
        map_summary_print(outcome);
    return agree(MPI_COMM_WORLD, st, rep);
}

static enum status tell_finished(const struct map_options *o, const struct map_run *run,
                                 const struct world *world, struct report *rep)
{
    struct maps_view view = {0};
    enum status st = world->rank == 0 ? maps_view_load(&view, o->output, rep) : ST_OK;
    const struct map_outcome outcome = {.output = o->output,
                                        .plan = &run->plan,
                                        .summary = &view.summary,
                                        .budget = view.has_budget ? &view.budget : NULL,
                                        .pixels = view.nx * view.ny,
                                        .before = view.nx * view.ny,
                                        .run = run->found.run,
                                        .ranks = world->size,
                                        .parent = run->parent,
                                        .finished_already = true};
    st = agree(MPI_COMM_WORLD, st, rep);
    if (st == ST_OK) st = tell(o, &outcome, world, rep);
    maps_view_free(&view);
    return st;
}

/* The finished file is there. Was it made from this volume? */
static enum status already_finished(const struct map_options *o, const struct map_run *run,
                                    const struct world *world, struct report *rep)
{
    struct digest digest;
    char text[33];
    if (*run->found.digest) {
        enum status st = grid_digest(run->volume, MPI_COMM_WORLD, o->quiet ? NULL : stderr, &digest,
                                     rep);
        if (st != ST_OK) return st;
        digest_text(digest, text);
        if (strcmp(text, run->found.digest) != 0)
            return fail(rep, ST_OUTPUT,
                        "%s exists and was made from other samples: input_digest was %s, now %s; "
                        "choose another name",
                        o->output, run->found.digest, text);
    }
    if (o->json) return tell_finished(o, run, world, rep);
    if (world->rank == 0 && !o->quiet)
        printf("maps: %s is finished already, from this recipe and volume; nothing to do\n",
               o->output);
    return ST_OK;
}

/* PATH.part for this run: a new one, or that of an earlier run. */
static enum status open_maps(const struct map_options *o, struct map_run *run,
                             const struct maps_origin *origin, struct report *rep)
{
    run->found = (struct maps_found){.run = 1};
    return o->resume
               ? maps_resume(&run->maps, o->output, o->overwrite, o->take_over, origin,
                             MPI_COMM_WORLD, &run->found, rep)
               : maps_create(&run->maps, o->output, o->overwrite, origin, MPI_COMM_WORLD, rep);
}

static void save_maps(void *maps)
{
    struct report unused;
    enum status ignored = maps_checkpoint(maps, &unused);
    (void)ignored;
}

/* Behind the cause of a failure. A run that finds its .part gone has nothing to offer. */
static enum status say_how_to_resume(const struct map_options *o, enum status st,
                                     struct report *rep)
{
    char cause[sizeof rep->text], part[4096];
    if (snprintf(part, sizeof part, "%s.part", o->output) >= (int)sizeof part ||
        access(part, F_OK) != 0)
        return st;
    memcpy(cause, rep->text, sizeof cause);
    return fail(rep, st,
                "%.700s (what is done is kept in %.200s; the same command with --resume goes on)",
                cause, part);
}

/* Tiles, uncertainty, the finished file. */
static enum status fill_maps(const struct map_options *o, struct map_run *run,
                             struct maps_summary *summary, struct report *rep)
{
    struct grid_job job = {.volume = run->volume,
                           .plan = &run->plan,
                           .maps = run->maps,
                           .comm = MPI_COMM_WORLD,
                           .progress = o->quiet ? NULL : stderr,
                           .stop = run->stop,
                           .beat_s = o->no_progress_s > 0 ? fmin(o->no_progress_s / 10, 10) : 10,
                           .pixels_done = run->found.pixels,
                           .parent = run->parent};
    watch_save(save_maps, run->maps);
    enum status st = grid_run(&job, rep);
    if (st == ST_OK) st = grid_budget(&job, &run->budget, &run->has_budget, rep);
    watch_save(NULL, NULL);
    if (st == ST_OK)
        st = maps_finish(&run->maps, run->has_budget ? &run->budget : NULL, summary, rep);
    maps_drop(&run->maps, false);
    if (st == ST_OK) return ST_OK;
    return say_how_to_resume(o, st, rep);
}

enum status map_run_go(const struct map_options *o, struct map_run *run, const char *command_line,
                       const struct world *world, struct report *rep)
{
    struct maps_summary summary = {0};
    struct maps_origin origin;
    struct progress clock;
    progress_begin(&clock, NULL, "", 0);
    enum status st = agree(MPI_COMM_WORLD, map_run_origin(o, run, command_line, &origin, rep), rep);
    if (st == ST_OK) st = open_maps(o, run, &origin, rep);
    if (st == ST_OK && run->found.finished) return already_finished(o, run, world, rep);
    if (st == ST_OK) st = fill_maps(o, run, &summary, rep);
    if (st != ST_OK) return st;
    const struct map_outcome outcome = {.output = o->output,
                                        .plan = &run->plan,
                                        .summary = &summary,
                                        .budget = run->has_budget ? &run->budget : NULL,
                                        .pixels = origin.volume->nx * origin.volume->ny,
                                        .before = run->found.pixels,
                                        .run = run->found.run,
                                        .seconds = progress_elapsed_s(&clock),
                                        .ranks = world->size,
                                        .parent = run->parent};
    if ((st = tell(o, &outcome, world, rep)) != ST_OK) return st;
    /* the finished file tells every rank the same: rank 0's counts are in it, and broadcast */
    if (summary.state[STATE_accepted] + summary.state[STATE_doubtful] == 0)
        return fail(rep, ST_ALL_REJECTED,
                    "%s is written, but no pixel was accepted; its flags say why (`cantle describe "
                    "%s`)",
                    o->output, o->output);
    return ST_OK;
}

void map_run_end(struct map_run *run)
{
    curve_plan_free(&run->plan);
    volume_close(&run->volume);
    if (run->has_recipe) recipe_free(&run->recipe);
    free(run->mapping_text);
}
