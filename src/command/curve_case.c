#include "command/curve_case.h"

#include "base/units.h"
#include "command/stored_input.h"
#include "command/volume_choice.h"
#include "grid/drift.h"
#include "grid/substrate.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static enum status check_place(const struct curve_case *c, struct report *rep)
{
    size_t nx = c->facts->nx, ny = c->facts->ny;
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

static enum status given_recipe(const struct curve_source *from, struct curve_case *c,
                                struct report *rep)
{
    snprintf(c->recipe_from, sizeof c->recipe_from, "%s", from->recipe ? from->recipe : "defaults");
    return from->recipe ? recipe_load(&c->recipe, from->recipe, rep)
                        : recipe_default(&c->recipe, rep);
}

/* The files may have been made by different hands. */
static enum status same_grid(const struct curve_case *c, struct report *rep)
{
    const struct maps_view *view = c->view;
    if (c->facts->nx == view->nx && c->facts->ny == view->ny) return ST_OK;
    return fail(rep, ST_INPUT,
                "%s: has %zu x %zu pixels, but %s has %zu x %zu: it is not the "
                "volume of these maps; give the right one with --volume",
                c->volume_path, c->facts->nx, c->facts->ny, c->file, view->nx, view->ny);
}

/* What all curves share: the plan, and buffers for the longest. */
static enum status prepare(struct curve_case *c, struct report *rep)
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
    st = grid_substrate(c->volume, &c->plan, MPI_COMM_SELF, NULL, rep);
    if (st == ST_OK) st = grid_drift(c->volume, &c->plan, MPI_COMM_SELF, NULL, rep);
    if (st != ST_OK) return st;
    c->work = curve_work_new(n_max);
    return c->work ? ST_OK : fail(rep, ST_MEMORY, "no memory for a curve of %zu samples", n_max);
}

enum status curve_case_of_maps(struct curve_case *c, const struct curve_source *from,
                               const struct maps_view *view, struct report *rep)
{
    c->file = from->file;
    c->view = view;
    enum status st = stored_volume_path(view, from->volume, c->volume_path, rep);
    if (st == ST_OK) {
        st = from->recipe ? given_recipe(from, c, rep) : recipe_of_maps(view, c, rep);
        c->has_recipe = st == ST_OK;
    }
    if (st == ST_OK)
        st = from->mapping
                 ? volume_choice_open(&c->volume, c->volume_path, from->mapping, NULL, rep)
                 : stored_volume(view, c->volume_path, &c->volume, rep);
    if (st != ST_OK) return st;
    c->facts = volume_facts(c->volume);
    st = same_grid(c, rep);
    return st == ST_OK ? prepare(c, rep) : st;
}

enum status curve_case_of_volume(struct curve_case *c, const struct curve_source *from,
                                 struct report *rep)
{
    c->file = from->file;
    if (from->volume)
        return fail(rep, ST_USAGE, "--volume goes with a map file, but %s is not one", from->file);
    int used = snprintf(c->volume_path, sizeof c->volume_path, "%s", from->file);
    enum status st = name_fits(used, sizeof c->volume_path, rep);
    if (st == ST_OK) st = given_recipe(from, c, rep);
    c->has_recipe = st == ST_OK;
    if (st == ST_OK) st = volume_choice_open(&c->volume, from->file, from->mapping, NULL, rep);
    if (st != ST_OK) return st;
    c->facts = volume_facts(c->volume);
    return prepare(c, rep);
}

static bool holds(struct tile t, size_t row, size_t column)
{
    return row - t.row0 < t.rows && column - t.col0 < t.cols;
}

/* Neighbours often share a tile: it is read once. */
static enum status read_tile_of(struct curve_case *c, struct report *rep)
{
    if (c->tile.rows && holds(c->tile, c->volume_row, c->volume_column)) return ST_OK;
    c->tile = (struct tile){0};
    for (size_t i = 0; i < volume_tile_count(c->volume); i++) {
        struct tile t = volume_tile(c->volume, i);
        if (!holds(t, c->volume_row, c->volume_column)) continue;
        enum status st = volume_read_tile(c->volume, t, rep);
        if (st == ST_OK) c->tile = t;
        return st;
    }
    return fail(rep, ST_BUG, "%s: no tile holds row %zu, column %zu", c->volume_path, c->volume_row,
                c->volume_column);
}

/* What the map file knows of this pixel and one curve alone does not: slope, change of the tip. */
static enum status find_context(struct curve_case *c, struct report *rep)
{
    const struct maps_view *view = c->view;
    double factor;
    c->surface_slope_rad = NAN;
    c->tip_changed = view && view->flags[c->row * view->nx + c->column] & FLAG(tip_changed);
    if (!view || !view->map[MAP_surface_slope]) return ST_OK;
    enum status st = units_from_si("rad", view->unit[MAP_surface_slope], &factor, rep);
    if (st == ST_OK)
        c->surface_slope_rad = (double)view->map[MAP_surface_slope][c->row * view->nx + c->column] /
                               factor;
    return st;
}

static void raise_flag(struct curve_case *c, uint64_t flag)
{
    c->result.flags |= flag;
    if (c->result.state == STATE_accepted) c->result.state = STATE_doubtful;
}

/* As when maps are finished. */
static void judge_context(struct curve_case *c)
{
    if (c->tip_changed) raise_flag(c, FLAG(tip_changed));
    c->result.map[MAP_surface_slope].value = c->surface_slope_rad;
    if (c->surface_slope_rad > c->plan.limit.surface_slope_rad) raise_flag(c, FLAG(steep));
}

enum status curve_case_run(struct curve_case *c, size_t column, size_t row, struct report *rep)
{
    c->column = column;
    c->row = row;
    enum status st = check_place(c, rep);
    if (st != ST_OK) return st;
    c->volume_column = c->view && c->view->x_flipped ? c->facts->nx - 1 - column : column;
    c->volume_row = c->view && c->view->y_flipped ? c->facts->ny - 1 - row : row;
    st = find_context(c, rep);
    if (st == ST_OK) st = read_tile_of(c, rep);
    if (st != ST_OK) return st;
    volume_curve(c->volume, c->volume_row, c->volume_column, &c->raw);
    curve_analyse(&c->plan, &c->raw, c->work, &c->result, &c->trace);
    judge_context(c);
    return ST_OK;
}

void curve_case_close(struct curve_case *c)
{
    curve_work_free(c->work);
    curve_plan_free(&c->plan);
    volume_close(&c->volume);
    if (c->has_recipe) recipe_free(&c->recipe);
    *c = (struct curve_case){0};
}
