/* cantle refit: a finished map file, something of its recipe changed, a new map file. */
#include "base/watch.h"
#include "command/map_run.h"
#include "command/stored_input.h"
#include "grid/drift.h"
#include "grid/grid.h"
#include "grid/substrate.h"
#include "maps/agree.h"
#include "maps/identity.h"
#include "maps/masking.h"
#include "recipe/change.h"

#include <stdlib.h>
#include <string.h>

enum { SETS_MOST = 64, KEY_MODEL = 0x300, KEY_SET, KEY_MASK, KEY_NO_REUSE };

struct refit_options {
    struct map_options map; /* volume_path: of a volume that is elsewhere now */
    const char *maps, *changes, *volume, *mask;
    const char *set[SETS_MOST];
    size_t n_set;
    bool from_nothing;
};

static const struct argp_option option_rows[] = {
    {"model", KEY_MODEL, "MODEL", 0, "another contact model, short for --set contact.model=MODEL",
     0},
    {"set", KEY_SET, "SECTION.KEY=VALUE", 0,
     "another value of the recipe, as it would stand there; nothing after = is back to the default",
     0},
    {"mask", KEY_MASK, "MASK", 0,
     "only the pixels that this mask chooses, such as 'has depth_dependent' or "
     "'dataset(FILE.h5:/PATH)' (docs/masks.md); all others are copied",
     0},
    {"volume", 'v', "VOLUME", 0,
     "where the volume is now. Default: where it was, else beside the map file", 0},
    {"from-nothing", KEY_NO_REUSE, NULL, 0, "begin each fit from nothing, as a fresh map does", 0},
    {0},
};

static error_t take_argument(char *arg, struct argp_state *state, struct refit_options *o)
{
    if (!o->changes && map_is_recipe(arg))
        o->changes = arg;
    else if (!o->maps)
        o->maps = o->map.volume_path = arg; /* the shared options want one */
    else
        argp_error(state, "one argument too many: '%s'; expected [CHANGES.yaml] MAPS.h5", arg);
    return 0;
}

/* --model NAME is --set contact.model=NAME; the text lives until the end. */
static error_t take_set(const char *key, const char *arg, struct argp_state *state,
                        struct refit_options *o)
{
    char *word = malloc(strlen(key) + strlen(arg) + 1);
    if (!word || o->n_set == SETS_MOST) {
        free(word);
        argp_error(state, "more than %d changes; write them into a file of changes", SETS_MOST);
        return 0;
    }
    stpcpy(stpcpy(word, key), arg);
    o->set[o->n_set++] = word;
    return 0;
}

static error_t parse_option(int key, char *arg, struct argp_state *state)
{
    struct refit_options *o = state->input;
    switch (key) {
    case ARGP_KEY_INIT:
        state->child_inputs[0] = &o->map;
        return 0;
    case 'v':
        o->volume = arg;
        return 0;
    case KEY_MODEL:
        return take_set("contact.model=", arg, state, o);
    case KEY_SET:
        return take_set("", arg, state, o);
    case KEY_MASK:
        o->mask = arg;
        return 0;
    case KEY_NO_REUSE:
        o->from_nothing = true;
        return 0;
    case ARGP_KEY_ARG:
        return take_argument(arg, state, o);
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static const struct argp_child children[] = {{&map_run_argp, 0, NULL, 0}, {0}};
static const struct argp refit_argp = {
    .options = option_rows,
    .parser = parse_option,
    .children = children,
    .args_doc = "[CHANGES.yaml] MAPS.h5 -o FILE",
    .doc = "Make maps again from a finished map file, with something of its recipe changed.\v"
           "Input, import description, lever file and recipe are those that the map file names; "
           "only what is given here changes. CHANGES.yaml is a recipe with nothing but the keys "
           "that change. The new file says what it was made from and what changed.\n\n"
           "What the change leaves as it was is taken from the map file: the baseline, the "
           "whiteness of the noise, the contact point as the place where the search begins. The "
           "results are those of a fresh map with the new recipe.\n\n"
           "It runs, stops and goes on as `cantle map` does, on many ranks too: FILE is called "
           "FILE.part until it is complete, and the same command with --resume goes on. DURATION "
           "is a number with a unit: \"90 s\", \"2 h\".",
};

/* --- what it starts from --- */

struct refit {
    struct maps_parent parent;
    struct recipe before;
    bool has_before;
    struct recipe_change change;
    struct map_run run;
};

static enum status read_changes(const struct refit_options *o, struct refit *r, struct report *rep)
{
    enum status st = ST_OK;
    if (o->changes) st = recipe_change_file(&r->change, o->changes, rep);
    for (size_t i = 0; i < o->n_set && st == ST_OK; i++) {
        st = recipe_change_word(&r->change, o->set[i], rep);
        if (st != ST_OK) st = within(rep, st, "--set: ");
    }
    return st;
}

static enum status change_recipe(struct refit *r, struct report *rep)
{
    enum status st = stored_recipe(&r->parent.view, &r->before, rep);
    r->has_before = st == ST_OK;
    if (st != ST_OK) return st;
    st = recipe_changed(&r->run.recipe, &r->before, &r->change, r->parent.view.path, rep);
    r->run.has_recipe = st == ST_OK;
    return st;
}

static enum status check_volume(const struct refit *r, const struct maps_origin *origin,
                                struct report *rep)
{
    char difference[300], *now = identity_text(origin);
    if (!now) return fail(rep, ST_MEMORY, "not enough memory to compare recipes");
    bool other = reuse_other_volume(r->parent.view.identity, now, difference, sizeof difference);
    free(now);
    if (!other) return ST_OK;
    return fail(rep, ST_INPUT,
                "%s is not the input that %s was made from: %s; give the right one with --volume, "
                "or make a fresh map",
                origin->volume->path, r->parent.view.path, difference);
}

/* Parts of the old results that hold under the new recipe, and the record of it all. */
static enum status look_at_change(const struct refit_options *o, struct refit *r,
                                  struct report *rep)
{
    struct maps_origin origin;
    size_t changed = 0;
    parent_align(&r->parent, &r->run.plan.extent);
    r->run.parent = NULL; /* the identities are compared as those of fresh maps */
    enum status st = map_run_origin(&o->map, &r->run, NULL, &origin, rep);
    if (st == ST_OK) st = check_volume(r, &origin, rep);
    if (st != ST_OK) return st;
    char *now = identity_text(&origin);
    char *difference = recipe_difference(&r->before, &r->run.recipe, &changed);
    if (!now || !difference) {
        st = fail(rep, ST_MEMORY, "not enough memory to compare recipes");
    } else {
        r->parent.reuse = o->from_nothing ? 0 : reuse_between(r->parent.view.identity, now);
        st = parent_record(&r->parent, difference, o->mask, rep);
    }
    free(now);
    free(difference);
    r->run.parent = &r->parent;
    return st;
}

static enum status choose_pixels(const struct refit_options *o, struct refit *r, struct report *rep)
{
    struct maps_parent *p = &r->parent;
    enum status st = ST_OK;
    if (!o->mask) return parent_choose(p, NULL, rep);
    p->chosen = malloc(p->view.ny * p->view.nx);
    if (!p->chosen) return fail(rep, ST_MEMORY, "not enough memory for a choice of pixels");
    st = maps_mask_spares(o->mask, o->map.output, rep);
    if (st == ST_OK) st = maps_mask(&p->view, o->mask, p->chosen, NULL, rep);
    return st == ST_OK ? parent_choose(p, o->mask, rep) : st;
}

/* What each rank does for itself, before anything is written. */
static enum status prepare(const struct refit_options *o, struct refit *r,
                           const struct world *world, char path[4096], struct report *rep)
{
    enum status st = map_run_watch(&o->map, world, rep);
    if (st == ST_OK) st = read_changes(o, r, rep);
    if (st == ST_OK) st = parent_load(&r->parent, o->maps, rep);
    if (st == ST_OK) st = change_recipe(r, rep);
    if (st == ST_OK) st = choose_pixels(o, r, rep);
    if (st == ST_OK) st = stored_volume_path(&r->parent.view, o->volume, path, rep);
    if (st == ST_OK) st = stored_volume(&r->parent.view, path, &r->run.volume, rep);
    if (st == ST_OK && !(r->run.mapping_text = strdup(r->parent.view.mapping_text)))
        st = fail(rep, ST_MEMORY, "not enough memory for the import description");
    return st == ST_OK ? map_run_plan(&r->run, rep) : st;
}

/* A file with the size and time that it had then is taken at its word until its samples have been
 * read; any other is read at once. */
static enum status check_samples(const struct refit_options *o, const struct refit *r,
                                 struct report *rep)
{
    const struct maps_view *v = &r->parent.view;
    struct digest digest;
    char text[33];
    if (stored_input_untouched(v, volume_facts(r->run.volume)->path)) return ST_OK;
    enum status st = grid_digest(r->run.volume, MPI_COMM_WORLD, o->map.quiet ? NULL : stderr,
                                 &digest, rep);
    if (st != ST_OK) return st;
    digest_text(digest, text);
    if (strcmp(text, v->summary.digest) == 0) return ST_OK;
    return fail(rep, ST_INPUT,
                "input_digest: the samples of %s are not those that %s was made from (%s, now %s); "
                "give the right one with --volume, or make a fresh map",
                volume_facts(r->run.volume)->path, v->path, v->summary.digest, text);
}

static enum status refit(const struct refit_options *o, struct refit *r, const char *command_line,
                         const struct world *world, struct report *rep)
{
    char path[4096];
    enum status st = agree(MPI_COMM_WORLD, prepare(o, r, world, path, rep), rep);
    if (st == ST_OK)
        st = grid_substrate(r->run.volume, &r->run.plan, MPI_COMM_WORLD,
                            o->map.quiet ? NULL : stderr, rep);
    if (st == ST_OK)
        st = grid_drift(r->run.volume, &r->run.plan, MPI_COMM_WORLD, o->map.quiet ? NULL : stderr,
                        rep);
    if (st == ST_OK) st = agree(MPI_COMM_WORLD, look_at_change(o, r, rep), rep);
    if (st == ST_OK) st = check_samples(o, r, rep);
    return st == ST_OK ? map_run_go(&o->map, &r->run, command_line, world, rep) : st;
}

enum status command_refit(int argc, char **argv, const struct world *world, struct report *rep)
{
    struct refit_options o = {
        .map = MAP_OPTIONS_DEFAULT("refit", "no map file given; expected [CHANGES.yaml] MAPS.h5")};
    struct refit *r = calloc(1, sizeof *r);
    bool done = false;
    if (!r) return fail(rep, ST_MEMORY, "not enough memory for a refit");
    char *command_line = options_command_line(argc, argv);
    enum status st = options_parse(&refit_argp, argc, argv, world, &o, &done, rep);
    if (st == ST_OK && !done && !command_line)
        st = fail(rep, ST_MEMORY, "not enough memory for the command line");
    if (st == ST_OK && !done) {
        r->run.stop = stop_begin(o.map.stop_after_s);
        st = refit(&o, r, command_line, world, rep);
        watch_outcome(status_exit(st));
    }
    map_run_end(&r->run);
    if (r->has_before) recipe_free(&r->before);
    recipe_change_free(&r->change);
    parent_free(&r->parent);
    for (size_t i = 0; i < o.n_set; i++)
        free((char *)(uintptr_t)o.set[i]);
    free(command_line);
    free(r);
    return st;
}
