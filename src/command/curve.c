/* cantle curve: one pixel followed through every step. */
#include "base/units.h"
#include "command/command.h"
#include "command/curve_case.h"
#include "command/describe.h"
#include "command/stored_input.h"
#include "command/volume_choice.h"
#include "grid/substrate.h"
#include "maps/maps.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct curve_wish {
    const char *file, *column, *row, *recipe, *volume, *mapping, *output, *text;
    bool too_many;
};

static const struct argp_option options[] = {
    {"recipe", 'r', "RECIPE.yaml", 0,
     "Recipe to use. Default: the one in the map file; for a volume all keys' defaults", 0},
    {"volume", 'v', "VOLUME.h5", 0,
     "Where the volume of the map file is now. Default: where it was, else beside the map file", 0},
    {"mapping", 'm', "DESCRIPTION.yaml", 0,
     MAPPING_HELP ". Default for a map file: the one it was made with", 0},
    {"output", 'o', "FIGURE", 0,
     "Where the figure goes: a name ending in .png, .svg or .pdf. Default: FILE-cCOLUMN-rROW.png, "
     "FILE without .h5. A figure that is there already is replaced",
     0},
    {"text", 't', "FILE", 0,
     "Write the samples as columns of text; - is standard output, in place of the report", 0},
    {0}};

static const char doc[] =
    "Follow one pixel through every step: a report, a figure, columns of text.\v"
    "FILE is a map file or a volume. COLUMN counts along x and ROW along y, both from 0.\n"
    "With a map file they count as in its maps and figures: column 0 has the smallest x, row 0 the "
    "smallest y (the lower left corner). With a volume they count as it is stored.";

static error_t parse(int key, char *arg, struct argp_state *state)
{
    struct curve_wish *wish = state->input;
    switch (key) {
    case 'r':
        wish->recipe = arg;
        return 0;
    case 'v':
        wish->volume = arg;
        return 0;
    case 'm':
        wish->mapping = arg;
        return 0;
    case 'o':
        wish->output = arg;
        return 0;
    case 't':
        wish->text = arg;
        return 0;
    case ARGP_KEY_ARG:
        if (!wish->file)
            wish->file = arg;
        else if (!wish->column)
            wish->column = arg;
        else if (!wish->row)
            wish->row = arg;
        else
            wish->too_many = true;
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

static enum status read_count(const char *text, const char *what, size_t *out, struct report *rep)
{
    char *end;
    errno = 0;
    unsigned long long n = strtoull(text, &end, 10);
    if (*text < '0' || *text > '9' || *end || errno)
        return fail(rep, ST_USAGE, "%s '%.64s': write a whole number from 0", what, text);
    *out = n;
    return ST_OK;
}

static enum status read_wish(const struct curve_wish *wish, struct curve_case *c,
                             struct report *rep)
{
    if (!wish->row || wish->too_many)
        return fail(rep, ST_USAGE, "write: cantle curve FILE COLUMN ROW");
    c->file = wish->file;
    enum status st = read_count(wish->column, "COLUMN", &c->column, rep);
    if (st == ST_OK) st = read_count(wish->row, "ROW", &c->row, rep);
    c->volume_column = c->column;
    c->volume_row = c->row;
    return st;
}

static enum status check_place(const struct curve_case *c, size_t nx, size_t ny, struct report *rep)
{
    if (c->column < nx && c->row < ny) return ST_OK;
    return fail(rep, ST_USAGE,
                "%s: has no column %zu, row %zu: columns are 0 to %zu, rows 0 to %zu", c->file,
                c->column, c->row, nx - 1, ny - 1);
}

static enum status name_fits(int used, size_t size, struct report *rep)
{
    return used >= 0 && (size_t)used < size ? ST_OK
                                            : fail(rep, ST_USAGE, "a file name is too long");
}

static enum status recipe_of_maps(const struct maps_view *view, struct curve_case *c,
                                  struct report *rep)
{
    snprintf(c->recipe_from, sizeof c->recipe_from, "%s",
             *view->recipe_text ? "the one stored in the map file"
                                : "defaults, the maps were made without one");
    return stored_recipe(view, &c->recipe, rep);
}

static enum status given_recipe(const struct curve_wish *wish, struct curve_case *c,
                                struct report *rep)
{
    snprintf(c->recipe_from, sizeof c->recipe_from, "%s", wish->recipe ? wish->recipe : "defaults");
    return wish->recipe ? recipe_load(&c->recipe, wish->recipe, rep)
                        : recipe_default(&c->recipe, rep);
}

/* From a map file: place, recipe and volume follow from what the maps were made of. */
static enum status begin_from_maps(const struct curve_wish *wish, struct curve_case *c,
                                   struct report *rep)
{
    struct maps_view view;
    enum status st = maps_view_load(&view, wish->file, rep);
    if (st != ST_OK) return st;
    st = check_place(c, view.nx, view.ny, rep);
    if (st == ST_OK && view.x_flipped) c->volume_column = view.nx - 1 - c->column;
    if (st == ST_OK && view.y_flipped) c->volume_row = view.ny - 1 - c->row;
    if (st == ST_OK) st = stored_volume_path(&view, wish->volume, c->volume_path, rep);
    if (st == ST_OK) {
        st = wish->recipe ? given_recipe(wish, c, rep) : recipe_of_maps(&view, c, rep);
        c->has_recipe = st == ST_OK;
    }
    if (st == ST_OK)
        st = wish->mapping
                 ? volume_choice_open(&c->volume, c->volume_path, wish->mapping, NULL, rep)
                 : stored_volume(&view, c->volume_path, &c->volume, rep);
    if (st == ST_OK) {
        c->facts = volume_facts(c->volume);
        if (c->facts->nx != view.nx || c->facts->ny != view.ny)
            st = fail(rep, ST_INPUT,
                      "%s: has %zu x %zu pixels, but %s has %zu x %zu: it is not the "
                      "volume of these maps; give the right one with --volume",
                      c->volume_path, c->facts->nx, c->facts->ny, wish->file, view.nx, view.ny);
    }
    if (st == ST_OK && view.map[MAP_surface_slope]) {
        double factor;
        st = units_from_si("rad", view.unit[MAP_surface_slope], &factor, rep);
        if (st == ST_OK)
            c->surface_slope_rad =
                (double)view.map[MAP_surface_slope][c->row * view.nx + c->column] / factor;
    }
    if (st == ST_OK) c->tip_changed = view.flags[c->row * view.nx + c->column] & FLAG(tip_changed);
    maps_view_free(&view);
    return st;
}

static enum status begin_from_volume(const struct curve_wish *wish, struct curve_case *c,
                                     struct report *rep)
{
    if (wish->volume)
        return fail(rep, ST_USAGE, "--volume goes with a map file, but %s is not one", wish->file);
    int used = snprintf(c->volume_path, sizeof c->volume_path, "%s", wish->file);
    enum status st = name_fits(used, sizeof c->volume_path, rep);
    if (st == ST_OK) st = given_recipe(wish, c, rep);
    c->has_recipe = st == ST_OK;
    if (st == ST_OK) st = volume_choice_open(&c->volume, wish->file, wish->mapping, NULL, rep);
    if (st != ST_OK) return st;
    c->facts = volume_facts(c->volume);
    return check_place(c, c->facts->nx, c->facts->ny, rep);
}

static enum status read_tile_of(struct curve_case *c, struct report *rep)
{
    for (size_t i = 0; i < volume_tile_count(c->volume); i++) {
        struct tile t = volume_tile(c->volume, i);
        if (c->volume_row - t.row0 < t.rows && c->volume_column - t.col0 < t.cols)
            return volume_read_tile(c->volume, t, rep);
    }
    return fail(rep, ST_BUG, "%s: no tile holds row %zu, column %zu", c->volume_path, c->volume_row,
                c->volume_column);
}

static void raise_flag(struct curve_case *c, uint64_t flag)
{
    c->result.flags |= flag;
    if (c->result.state == STATE_accepted) c->result.state = STATE_doubtful;
}

/* As when maps are finished; one curve alone does not know its neighbours. */
static void judge_slope(struct curve_case *c)
{
    if (c->tip_changed) raise_flag(c, FLAG(tip_changed));
    c->result.map[MAP_surface_slope].value = c->surface_slope_rad;
    if (c->surface_slope_rad > c->plan.limit.surface_slope_rad) raise_flag(c, FLAG(steep));
}

static enum status analyse(struct curve_case *c, struct report *rep)
{
    enum signal_stage stages[SEG_COUNT];
    bool there[SEG_COUNT], twist[SEG_COUNT];
    size_t n_max = 1;
    for (int s = 0; s < SEG_COUNT; s++) {
        stages[s] = c->facts->seg[s].stage;
        there[s] = c->facts->seg[s].there;
        twist[s] = c->facts->seg[s].lateral_volts;
        if (there[s] && c->facts->seg[s].n > n_max) n_max = c->facts->seg[s].n;
    }
    enum status st = curve_plan_make(&c->recipe, &c->facts->lever, stages, there, &c->plan, rep);
    c->plan.pixel_pitch_m = volume_pixel_pitch(c->facts);
    if (st == ST_OK) st = lateral_check(&c->plan, twist, rep);
    if (st != ST_OK) return within(rep, st, "%s: ", c->volume_path);
    st = grid_substrate(c->volume, &c->plan, MPI_COMM_SELF, rep);
    if (st == ST_OK) st = read_tile_of(c, rep);
    if (st != ST_OK) return st;
    c->work = curve_work_new(n_max);
    if (!c->work) return fail(rep, ST_MEMORY, "no memory for a curve of %zu samples", n_max);
    volume_curve(c->volume, c->volume_row, c->volume_column, &c->raw);
    curve_analyse(&c->plan, &c->raw, c->work, &c->result, &c->trace);
    judge_slope(c);
    return ST_OK;
}

static enum status write_columns(const struct curve_case *c, const char *path, struct report *rep)
{
    bool standard = strcmp(path, "-") == 0;
    FILE *out = standard ? stdout : fopen(path, "wxe"); /* x: never over a file that is there */
    if (!out && errno == EEXIST)
        return fail(rep, ST_OUTPUT, "%s exists; choose another name for the columns, or remove it",
                    path);
    if (!out) return fail(rep, ST_OUTPUT, "%s: cannot be written: %s", path, strerror(errno));
    curve_columns(out, c);
    int bad = fflush(out) != 0 || ferror(out);
    if (!standard && fclose(out) != 0) bad = 1;
    return bad ? fail(rep, ST_OUTPUT, "%s: cannot be written: is the disk full?", path) : ST_OK;
}

/* The report goes to standard output, unless the columns do: their comments hold it. */
static enum status show(const struct curve_wish *wish, const struct curve_case *c,
                        struct report *rep)
{
    char path[4200], name[512];
    enum status st = ST_OK;
    size_t n = strlen(wish->file);
    bool columns_only = wish->text && strcmp(wish->text, "-") == 0;
    if (n > 3 && strcmp(wish->file + n - 3, ".h5") == 0) n -= 3;
    int used = wish->output ? snprintf(path, sizeof path, "%s", wish->output)
                            : snprintf(path, sizeof path, "%.*s-c%zu-r%zu.png", (int)n, wish->file,
                                       c->column, c->row);
    st = name_fits(used, sizeof path, rep);
    if (st == ST_OK && !columns_only) curve_report(stdout, c, "");
    if (st == ST_OK && wish->text) st = write_columns(c, wish->text, rep);
    if (st == ST_OK) st = curve_figure(c, path, rep);
    describe_name(path, name);
    if (st == ST_OK && !columns_only) printf("figure: %s\n", name);
    if (st == ST_OK && wish->text && !columns_only) printf("columns: %s\n", wish->text);
    return st;
}

enum status command_curve(int argc, char **argv, const struct world *world, struct report *rep)
{
    const struct argp argp = {options, parse, "FILE COLUMN ROW", doc, NULL, NULL, NULL};
    struct curve_wish wish = {0};
    bool done = false;
    enum status st = options_parse(&argp, argc, argv, world, &wish, &done, rep);
    if (st != ST_OK || done || world->rank != 0) return st;
    struct curve_case *c = calloc(1, sizeof *c);
    if (!c) return fail(rep, ST_MEMORY, "no memory for a curve");
    c->surface_slope_rad = NAN;
    st = read_wish(&wish, c, rep);
    if (st == ST_OK)
        st = maps_is_one(wish.file) ? begin_from_maps(&wish, c, rep)
                                    : begin_from_volume(&wish, c, rep);
    if (st == ST_OK) st = analyse(c, rep);
    if (st == ST_OK) st = show(&wish, c, rep);
    curve_work_free(c->work);
    curve_plan_free(&c->plan);
    volume_close(&c->volume);
    if (c->has_recipe) recipe_free(&c->recipe);
    free(c);
    return st;
}
