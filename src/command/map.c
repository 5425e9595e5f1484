/* cantle map: a force volume goes in, maps come out. */
#include "base/units.h"
#include "command/command.h"
#include "command/volume_choice.h"
#include "grid/grid.h"
#include "grid/substrate.h"
#include "maps/agree.h"
#include "maps/maps.h"
#include "recipe/recipe.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct map_options {
    const char *recipe_path, *volume_path, *output, *mapping;
    bool overwrite, quiet;
};

static const struct argp_option option_rows[] = {
    {"output", 'o', "FILE", 0, "map file to write (HDF5); needed", 0},
    {"overwrite", 'f', NULL, 0, "replace FILE if it exists, once the new one is complete", 0},
    {"mapping", 'm', "DESCRIPTION.yaml", 0, MAPPING_HELP, 0},
    {"quiet", 'q', NULL, 0, "no progress and no summary", 0},
    {0},
};

static bool is_recipe(const char *path)
{
    const char *dot = strrchr(path, '.');
    return dot && (strcmp(dot, ".yaml") == 0 || strcmp(dot, ".yml") == 0);
}

static error_t take_argument(const char *arg, struct argp_state *state, struct map_options *o)
{
    if (!o->recipe_path && is_recipe(arg))
        o->recipe_path = arg;
    else if (!o->volume_path)
        o->volume_path = arg;
    else
        argp_error(
            state,
            "one argument too many: '%s'; expected [RECIPE.yaml] VOLUME (a recipe's name ends "
            "in .yaml or .yml)",
            arg);
    return 0;
}

static error_t parse_option(int key, char *arg, struct argp_state *state)
{
    struct map_options *o = state->input;
    switch (key) {
    case 'o':
        o->output = arg;
        return 0;
    case 'f':
        o->overwrite = true;
        return 0;
    case 'm':
        o->mapping = arg;
        return 0;
    case 'q':
        o->quiet = true;
        return 0;
    case ARGP_KEY_ARG:
        return take_argument(arg, state, o);
    case ARGP_KEY_END:
        if (!o->volume_path) argp_error(state, "no volume given; expected [RECIPE.yaml] VOLUME");
        if (!o->output) argp_error(state, "no output given; add -o MAPS.h5");
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static const struct argp map_argp = {
    .options = option_rows,
    .parser = parse_option,
    .args_doc = "[RECIPE.yaml] VOLUME -o FILE",
    .doc =
        "Fit the contact model of the recipe to every pixel of a force volume and write the maps.\v"
        "RECIPE.yaml says what is to be done; `cantle recipe VOLUME` prints one to start from. "
        "Without it every key has its default and the calibration is the volume's. Start it on "
        "many "
        "ranks with `mpiexec -n N cantle map ...`: the maps are the same for any N.\n\n"
        "While it runs the file is called FILE.part; it gets its name when it is complete. An "
        "existing FILE is left alone unless --overwrite is given.",
};

/* --- the summary --- */

static void print_row(const struct maps_summary *s, enum map_id id)
{
    char median[48], low[48], high[48];
    if (s->map[id].n == 0) return;
    units_show(s->map[id].median, map_rows[id].si_unit, 4, median, sizeof median);
    units_show(s->map[id].q25, map_rows[id].si_unit, 4, low, sizeof low);
    units_show(s->map[id].q75, map_rows[id].si_unit, 4, high, sizeof high);
    printf("  %-22s %14s   [%s, %s]\n", map_rows[id].words, median, low, high);
}

/* "calibration: E of the whole map +- 12 % (spring constant 8 %, ...)" */
static void print_budget(const struct budget *b)
{
    const struct budget_result *r = &b->result[BUDGET_modulus];
    size_t order[LEVER_COUNT], n = budget_order(b, BUDGET_modulus, order);
    const char *before = " (";
    if (!r->there) return;
    printf("calibration: E of the whole map +- %s%.2g %%", r->complete ? "" : "at least ",
           100 * r->combined);
    for (size_t i = 0; i < n; i++, before = ", ")
        printf("%s%s %.2g %%", before, lever_rows[b->input[order[i]].item].words,
               100 * r->contribution[order[i]]);
    before = n > 0 ? "; not stated: " : " (not stated: ";
    for (size_t i = 0; i < b->n; i++) {
        if (!isnan(r->contribution[i])) continue;
        printf("%s%s", before, lever_rows[b->input[i].item].words);
        before = ", ";
    }
    printf("%s; common to all pixels, not in the error bars\n", *before == ' ' ? "" : ")");
    if (r->differs)
        printf("  not linear: Monte Carlo %.2g %%, 95 %% between %.3g and %.3g times the value\n",
               100 * r->spread, r->low, r->high);
}

static void print_substrate(const struct plane *p)
{
    char scatter[48];
    double slope = atan(hypot(p->c[1], p->c[2]) / p->scale) * 180 / acos(-1);
    units_show(p->scatter, "m", 3, scatter, sizeof scatter);
    printf(
        "substrate: plane through %zu contact heights, tilted by %.3g degree; they scatter by %s "
        "about it\n",
        p->n, slope, scatter);
}

static void print_summary(const struct map_options *o, const struct curve_plan *plan,
                          const struct maps_summary *s, const struct budget *budget, size_t pixels,
                          double seconds, int ranks)
{
    static const enum map_id shown[] = {MAP_modulus,       MAP_adhesion,    MAP_work_of_adhesion,
                                        MAP_deformation,   MAP_indentation, MAP_peak_force,
                                        MAP_mean_pressure, MAP_force_noise};
    printf("%zu pixels in %.1f s on %d rank%s (%.0f pixels/s)\n", pixels, seconds, ranks,
           ranks == 1 ? "" : "s", (double)pixels / fmax(seconds, 1e-3));
    printf("model: %s, %s curve, residual in %s\n", plan->model->name,
           plan->segment == SEG_APPROACH ? "approach" : "retract",
           plan->force_space ? "force against indentation" : "deflection against z");
    if (plan->thickness_from_substrate) print_substrate(&plan->substrate);
    printf("pixels:");
    for (int i = STATE_accepted; i < STATE_COUNT; i++)
        printf(" %zu %s%s", s->state[i], state_rows[i].name, i + 1 < STATE_COUNT ? "," : "\n");
    for (int i = 0; i < FLAG_COUNT; i++)
        if (s->flag[i])
            printf("  %7zu  %-18s %s\n", s->flag[i], flag_rows[i].name, flag_rows[i].words);
    if (s->state[STATE_accepted] + s->state[STATE_doubtful])
        printf("median [quartiles] of accepted and doubtful pixels:\n");
    for (size_t i = 0; i < sizeof shown / sizeof *shown; i++)
        print_row(s, shown[i]);
    if (budget) print_budget(budget);
    printf("maps: %s\n", o->output);
}

/* --- the run --- */

struct run {
    struct recipe recipe;
    bool has_recipe;
    struct volume *volume;
    char *mapping_text;
    struct curve_plan plan;
    struct maps *maps;
    struct budget budget;
    bool has_budget;
};

/* What each rank does for itself, before anything is written. */
static enum status prepare(const struct map_options *o, struct run *run, struct report *rep)
{
    enum status st = o->recipe_path ? recipe_load(&run->recipe, o->recipe_path, rep)
                                    : recipe_default(&run->recipe, rep);
    if (st != ST_OK) return st;
    run->has_recipe = true;
    st = volume_choice_open(&run->volume, o->volume_path, o->mapping, &run->mapping_text, rep);
    if (st != ST_OK) return st;
    const struct volume_facts *f = volume_facts(run->volume);
    enum signal_stage stages[SEG_COUNT];
    bool there[SEG_COUNT];
    for (int s = 0; s < SEG_COUNT; s++) {
        stages[s] = f->seg[s].stage;
        there[s] = f->seg[s].there;
    }
    st = curve_plan_make(&run->recipe, &f->lever, stages, there, &run->plan, rep);
    run->plan.pixel_pitch_m = volume_pixel_pitch(f);
    return st;
}

static enum status run_map(const struct map_options *o, struct run *run, const char *command_line,
                           const struct world *world, struct report *rep)
{
    struct maps_summary summary = {0};
    enum status st = agree(MPI_COMM_WORLD, prepare(o, run, rep), rep);
    if (st == ST_OK) st = grid_substrate(run->volume, &run->plan, MPI_COMM_WORLD, rep);
    if (st != ST_OK) return st;
    const struct volume_facts *f = volume_facts(run->volume);
    struct progress clock;
    progress_begin(&clock, NULL, "", 0);
    struct maps_origin origin = {.recipe = &run->recipe,
                                 .plan = &run->plan,
                                 .volume = f,
                                 .command_line = command_line,
                                 .mapping_path = o->mapping,
                                 .mapping_text = o->mapping ? run->mapping_text : NULL,
                                 .n_tiles = volume_tile_count(run->volume)};
    st = maps_create(&run->maps, o->output, o->overwrite, &origin, MPI_COMM_WORLD, rep);
    if (st != ST_OK) return st;
    struct grid_job job = {.volume = run->volume,
                           .plan = &run->plan,
                           .maps = run->maps,
                           .comm = MPI_COMM_WORLD,
                           .progress = o->quiet ? NULL : stderr};
    st = grid_run(&job, rep);
    if (st == ST_OK) st = grid_budget(&job, &run->budget, &run->has_budget, rep);
    const struct budget *budget = run->has_budget ? &run->budget : NULL;
    if (st == ST_OK) st = maps_finish(&run->maps, budget, &summary, rep);
    if (st != ST_OK) return st;
    if (world->rank == 0 && !o->quiet)
        print_summary(o, &run->plan, &summary, budget, f->nx * f->ny, progress_elapsed_s(&clock),
                      world->size);
    /* the finished file tells every rank the same: rank 0's counts are in it, and broadcast */
    if (summary.state[STATE_accepted] + summary.state[STATE_doubtful] == 0)
        return fail(rep, ST_ALL_REJECTED,
                    "%s is written, but no pixel was accepted; its flags say why (`cantle describe "
                    "%s`)",
                    o->output, o->output);
    return ST_OK;
}

enum status command_map(int argc, char **argv, const struct world *world, struct report *rep)
{
    struct map_options o = {0};
    struct run run = {0};
    bool done = false;
    char *command_line = NULL;
    enum status st = options_parse(&map_argp, argc, argv, world, &o, &done, rep);
    if (st != ST_OK || done) return st;
    command_line = options_command_line(argc, argv);
    if (!command_line) return fail(rep, ST_MEMORY, "not enough memory for the command line");
    st = run_map(&o, &run, command_line, world, rep);
    maps_drop(&run.maps, true);
    curve_plan_free(&run.plan);
    volume_close(&run.volume);
    if (run.has_recipe) recipe_free(&run.recipe);
    free(run.mapping_text);
    free(command_line);
    return st;
}
