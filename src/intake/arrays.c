/* Segments of sources that are arrays: HDF5 by paths, NumPy, plain binary. */
#include "base/units.h"
#include "intake/build.h"
#include "intake/quadrants.h"
#include "volume/attributes.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A segment's signal while it is taken in. */
struct taking {
    enum segment_id id;
    struct array *signal;
    struct axes axes;   /* of the signal, in the order of its dims */
    size_t first, last; /* of the sample axis */
    size_t n;           /* samples of the segment */
    bool ragged;
    struct curve_list *list; /* ragged: with starts and lengths. Owned */
};

static enum intake_key key_of(const struct taking *t, enum intake_key of_approach)
{
    return intake_key_of(t->id, of_approach);
}

/* The axes as the description has them, in the order of the array's dims. */
static enum status read_axes(struct build *b, enum intake_key key, const struct array *a,
                             struct axes *out, struct report *rep)
{
    struct axes said;
    enum status st = axes_read(build_value(b, key)->text, &said, rep);
    if (st == ST_OK && a && said.rank != a->rank) {
        char shape[160];
        array_shape(a, shape, sizeof shape);
        st = fail(rep, ST_RECIPE, "names %d axes, but %s is %s", said.rank, a->name, shape);
    }
    if (st != ST_OK) return description_at(b->d, key, st, rep);
    *out = said;
    for (int i = 0; a && a->backwards && i < said.rank; i++) {
        out->role[i] = said.role[said.rank - 1 - i];
        out->fixed[i] = said.fixed[said.rank - 1 - i];
        out->of[i] = said.of[said.rank - 1 - i];
    }
    return ST_OK;
}

static enum status ask_axes(struct build *b, const struct taking *t, struct report *rep)
{
    char shape[160], why[520];
    array_shape(t->signal, shape, sizeof shape);
    snprintf(why, sizeof why, "%s is %s, but it is not said what its axes are", t->signal->name,
             shape);
    return description_ask(b->d, key_of(t, IN_approach_axes), why,
                           "row column sample' (in the order of the shape, or 'curve sample", rep);
}

static size_t length_along(const struct taking *t, enum axis_role role)
{
    int axis = axes_find(&t->axes, role);
    return axis < 0 ? 1 : t->signal->dims[axis];
}

static enum status take_span(struct build *b, struct taking *t, struct report *rep)
{
    enum intake_key key = key_of(t, IN_approach_samples);
    size_t n = length_along(t, AXIS_SAMPLE);
    t->first = 0;
    t->last = n ? n - 1 : 0;
    enum status st = ST_OK;
    if (build_value(b, key)->set)
        st = span_read(build_value(b, key)->text, &t->first, &t->last, rep);
    if (st == ST_OK && (t->first >= n || t->last >= n))
        st = fail(rep, ST_INPUT, "asks for sample %zu, but there are %zu, counted from 0",
                  t->first > t->last ? t->first : t->last, n);
    if (st != ST_OK) return description_at(b->d, key, st, rep);
    t->n = (t->last > t->first ? t->last - t->first : t->first - t->last) + 1;
    return ST_OK;
}

/* --- where the curves lie --- */

/* Rows and columns of the signal itself, or a list of n curves. */
static enum status place_list(struct build *b, size_t n, struct report *rep)
{
    static const enum intake_key keys[4] = {IN_grid_row, IN_grid_column, IN_grid_x, IN_grid_y};
    double *values[4] = {NULL};
    size_t count[4];
    enum status st = ST_OK;
    for (int i = 0; i < 4 && st == ST_OK; i++) {
        st = build_numbers(b, keys[i], n, &values[i], &count[i], rep);
        /* positions of columns and rows, not of curves */
        if (st == ST_OK && i >= 2 && count[i] != n) {
            free(values[i]);
            values[i] = NULL;
        } else if (st == ST_OK && count[i] != 0 && count[i] != n) {
            st = description_at(
                b->d, keys[i],
                fail(rep, ST_INPUT, "has %zu numbers, but there are %zu curves", count[i], n), rep);
        }
    }
    struct placement where = {n, values[0], values[1], values[2], values[3], NULL};
    if (st == ST_OK) st = pixels_place(b->d, &where, &b->px, rep);
    for (int i = 0; i < 4; i++)
        free(values[i]);
    return st;
}

static enum status read_positions(struct build *b, enum intake_key key, size_t n, double **out,
                                  struct report *rep)
{
    size_t count;
    double *values;
    if (*out) return ST_OK;
    enum status st = build_numbers(b, key, n, &values, &count, rep);
    if (st != ST_OK || count == 0) return st;
    if (count != n)
        st = description_at(
            b->d, key, fail(rep, ST_INPUT, "has %zu numbers, expected %zu positions", count, n),
            rep);
    if (st == ST_OK)
        *out = values;
    else
        free(values);
    return st;
}

static enum status find_grid(struct build *b, struct taking *t, struct report *rep)
{
    enum status st = ST_OK;
    if (t->ragged) {
        st = place_list(b, t->list->n, rep);
    } else if (axes_find(&t->axes, AXIS_CURVE) >= 0) {
        st = place_list(b, length_along(t, AXIS_CURVE), rep);
    } else {
        int row = axes_find(&t->axes, AXIS_ROW), column = axes_find(&t->axes, AXIS_COLUMN);
        b->px.ny = length_along(t, AXIS_ROW);
        b->px.nx = length_along(t, AXIS_COLUMN);
        b->px.columns_first = row >= 0 && column >= 0 && (column < row) != t->signal->backwards;
    }
    if (st == ST_OK && (b->px.ny == 0 || b->px.nx == 0))
        st = fail(rep, ST_INPUT, "%s: a size is zero, there is nothing to import", t->signal->name);
    if (st == ST_OK) st = read_positions(b, IN_grid_x, b->px.nx, &b->px.x_m, rep);
    if (st == ST_OK) st = read_positions(b, IN_grid_y, b->px.ny, &b->px.y_m, rep);
    return st;
}

/* --- curves of different lengths --- */

static enum status check_extent(const struct build *b, const struct taking *t, enum intake_key key,
                                struct report *rep)
{
    size_t all = t->signal->dims[0];
    for (size_t i = 0; i < t->list->n; i++)
        if (t->list->starts[i] > all || t->list->lengths[i] > all - t->list->starts[i])
            return description_at(
                b->d, key,
                fail(rep, ST_INPUT, "curve %zu reaches from %zu over %zu samples, but %s has %zu",
                     i, t->list->starts[i], t->list->lengths[i], t->signal->name, all),
                rep);
    return ST_OK;
}

static bool is_index(double x)
{
    return x >= 0 && x < 1e15 && x == floor(x);
}

static enum status take_ragged(struct build *b, struct taking *t, struct report *rep)
{
    enum intake_key key = key_of(t, IN_approach_starts), other = key_of(t, IN_approach_length);
    double *starts = NULL, *lengths = NULL;
    size_t n = 0, m = 0;
    enum status st = build_numbers(b, key, 0, &starts, &n, rep);
    if (st == ST_OK) st = build_numbers(b, other, n, &lengths, &m, rep);
    if (st != ST_OK) goto done;
    if (t->signal->rank != 1) {
        st = fail(rep, ST_INPUT, "goes with a signal of one dimension, %s has %d", t->signal->name,
                  t->signal->rank);
    } else if (m == 0 && n > 1) {
        n--;
    } else if (m != n) {
        st = fail(rep, ST_INPUT, "has %zu numbers, length has %zu", n, m);
    }
    for (size_t i = 0; i < n && st == ST_OK; i++)
        if (!is_index(starts[i]) || !is_index(m ? lengths[i] : starts[i + 1] - starts[i]))
            st = fail(rep, ST_INPUT, "start or length of curve %zu is not a whole number >= 0", i);
    if (st != ST_OK) {
        st = description_at(b->d, key, st, rep);
        goto done;
    }
    t->list = curve_list_new(1, 1, n);
    if (t->list) {
        t->list->starts = malloc((n + 1) * sizeof(size_t));
        t->list->lengths = malloc((n + 1) * sizeof(size_t));
    }
    if (!t->list || !t->list->starts || !t->list->lengths) {
        st = fail(rep, ST_MEMORY, "not enough memory for %zu curves", n);
        goto done;
    }
    for (size_t i = 0; i < n; i++) {
        t->list->starts[i] = (size_t)starts[i];
        t->list->lengths[i] = (size_t)(m ? lengths[i] : starts[i + 1] - starts[i]);
        if (t->list->lengths[i] > t->n) t->n = t->list->lengths[i];
    }
    st = t->n > 0 ? check_extent(b, t, key, rep)
                  : description_at(b->d, key, fail(rep, ST_INPUT, "no curve has a sample"), rep);
done:
    free(starts);
    free(lengths);
    return st;
}

/* The list of this segment lies on the grid as that of the approach. */
static enum status take_places(struct build *b, struct taking *t, struct report *rep)
{
    size_t pixels = b->px.ny * b->px.nx;
    if (!t->ragged) return ST_OK;
    if (!b->px.list || b->px.list->n != t->list->n)
        return fail(rep, ST_INPUT, "%s: has %zu curves, the approach has another number",
                    t->signal->name, t->list->n);
    size_t *at = malloc(pixels * sizeof *at);
    if (!at) return fail(rep, ST_MEMORY, "not enough memory for %zu pixels", pixels);
    memcpy(at, b->px.list->at, pixels * sizeof *at);
    free(t->list->at);
    t->list->at = at;
    t->list->ny = b->px.ny;
    t->list->nx = b->px.nx;
    return ST_OK;
}

static enum status put_lengths(struct build *b, struct taking *t, struct report *rep)
{
    const size_t dims[2] = {b->px.ny, b->px.nx};
    double *length = malloc(t->list->n * sizeof *length), *all = NULL;
    char name[64];
    if (!length) return fail(rep, ST_MEMORY, "not enough memory for %zu curves", t->list->n);
    for (size_t i = 0; i < t->list->n; i++)
        length[i] = (double)t->list->lengths[i];
    enum status st = pixels_spread(&b->px, length, t->list->n, 0, &all, rep);
    snprintf(name, sizeof name, "/%s/length", intake_segments[t->id]);
    if (st == ST_OK) st = skeleton_numbers(b->sk, name, 2, dims, all, NULL, NAN, rep);
    free(length);
    free(all);
    return st;
}

/* --- samples into the skeleton --- */

/* Takes the array. */
static enum status put_samples(struct build *b, struct taking *t, const char *leaf, struct array *a,
                               const struct axes *axes, const char *unit, enum intake_key scale,
                               struct report *rep)
{
    const size_t dims[4] = {b->px.ny, b->px.nx, t->n, 4};
    bool four = axes_find(axes, AXIS_QUADRANT) >= 0;
    struct view *view;
    enum number number = a->number;
    char name[64];
    snprintf(name, sizeof name, "/%s/%s", intake_segments[t->id], leaf);
    hid_t attributes = a->attributes;
    struct array names = {.attributes = attributes};
    enum status st = t->ragged ? view_ragged(&view, a, t->list, rep)
                               : view_picked(&view, a, axes, t->first, t->last, b->px.list, rep);
    if (st == ST_OK) st = skeleton_samples(b->sk, name, four ? 4 : 3, dims, number, view, rep);
    return st == ST_OK ? build_packing(b, name, scale, &names, unit, rep) : st;
}

/* One ramp for all curves, in numbers. It is as long as the signal's sample axis, or as the
 * segment. */
static enum status put_ramp(struct build *b, struct taking *t, struct array *a, const char *unit,
                            struct report *rep)
{
    enum intake_key key = key_of(t, IN_approach_z);
    size_t total, whole = length_along(t, AXIS_SAMPLE);
    double *all, *ramp;
    char name[64];
    enum status st = array_doubles(a, LARGEST_BLOCK, &all, &total, rep);
    if (st != ST_OK) return description_at(b->d, key, st, rep);
    if (total != whole && total != t->n) {
        free(all);
        return description_at(
            b->d, key,
            fail(rep, ST_INPUT, "has %zu values, but the signal has %zu samples", total, t->n),
            rep);
    }
    ramp = malloc(t->n * sizeof *ramp);
    for (size_t i = 0; ramp && i < t->n; i++)
        ramp[i] = total == t->n && total != whole ? all[i]
                  : t->last < t->first            ? all[t->first - i]
                                                  : all[t->first + i];
    snprintf(name, sizeof name, "/%s/z", intake_segments[t->id]);
    st = ramp ? skeleton_numbers(b->sk, name, 1, &t->n, ramp, unit, NAN, rep)
              : fail(rep, ST_MEMORY, "not enough memory for a ramp");
    free(ramp);
    free(all);
    if (st != ST_OK) return st;
    static const char *const packing[] = {"scale_factor", "add_offset"};
    for (int i = 0; i < 2 && st == ST_OK; i++) {
        const struct intake_value *v = build_value(b,
                                                   (enum intake_key)((int)IN_z_scale_factor + i));
        if (v->set) st = skeleton_number(b->sk, name, packing[i], v->number, rep);
    }
    return st;
}

static enum status put_z(struct build *b, struct taking *t, struct report *rep)
{
    enum intake_key key = key_of(t, IN_approach_z), axes_key = key_of(t, IN_approach_z_axes);
    struct axes axes = t->axes;
    struct array *a;
    char unit[64];
    if (!build_value(b, key)->set) return ST_OK;
    /* raw data have no shape of their own: a ramp says so by its axes */
    if (build_value(b, axes_key)->set) {
        enum status said = read_axes(b, axes_key, NULL, &axes, rep);
        if (said != ST_OK) return said;
    }
    enum status st = build_array(b, key, &axes, &a, rep);
    if (st != ST_OK) return st;
    st = build_unit(b, key, a, unit, rep);
    if (st == ST_OK && build_value(b, axes_key)->set) st = read_axes(b, axes_key, a, &axes, rep);
    bool ramp = a->rank == 1 && !t->ragged &&
                (t->axes.rank > 1 || (axes.rank == 1 && axes.role[0] == AXIS_SAMPLE));
    if (st == ST_OK && ramp) {
        st = put_ramp(b, t, a, unit, rep);
        a->drop(a);
        return st;
    }
    if (st == ST_OK && a->rank != axes.rank && !t->ragged) {
        char shape[160];
        array_shape(a, shape, sizeof shape);
        st = description_at(b->d, key,
                            fail(rep, ST_INPUT,
                                 "%s is %s: neither one ramp nor of the signal's axes; say its "
                                 "axes with z_axes",
                                 a->name, shape),
                            rep);
    }
    if (st != ST_OK) {
        a->drop(a);
        return st;
    }
    return put_samples(b, t, "z", a, &axes, unit, IN_z_scale_factor, rep);
}

static enum status put_lateral(struct build *b, struct taking *t, struct report *rep)
{
    enum intake_key key = key_of(t, IN_approach_lateral);
    struct array *a;
    char unit[64];
    if (!build_value(b, key)->set) return ST_OK;
    enum status st = build_array(b, key, &t->axes, &a, rep);
    if (st != ST_OK) return st;
    st = build_unit(b, key, a, unit, rep);
    if (st != ST_OK) {
        a->drop(a);
        return st;
    }
    return put_samples(b, t, "lateral", a, &t->axes, unit, IN_source_kind, rep);
}

static enum status open_signal(struct build *b, struct taking *t, struct report *rep)
{
    enum intake_key key = key_of(t, IN_approach_signal), axes_key = key_of(t, IN_approach_axes);
    enum status st = ST_OK;
    t->ragged = build_value(b, key_of(t, IN_approach_starts))->set;
    bool said = build_value(b, axes_key)->set;
    if (t->ragged) t->axes = (struct axes){.rank = 1, .role = {AXIS_SAMPLE}};
    if (said && !t->ragged) st = read_axes(b, axes_key, NULL, &t->axes, rep);
    if (st == ST_OK) st = build_array(b, key, &t->axes, &t->signal, rep);
    if (st != ST_OK || t->ragged) return st;
    if (!said && t->signal->rank != 1) return ask_axes(b, t, rep);
    if (!said) t->axes = (struct axes){.rank = 1, .role = {AXIS_SAMPLE}};
    return said ? read_axes(b, axes_key, t->signal, &t->axes, rep) : ST_OK;
}

/* --- four quadrants in four arrays --- */

/* The volume keeps one packing for the four; keys of the description are for all of them. */
static enum status same_packing(const struct build *b, const struct array *one,
                                const struct array *other, struct report *rep)
{
    static const char *const names[] = {"scale_factor", "add_offset", "missing_value",
                                        "valid_min",    "valid_max",  "_FillValue"};
    enum status st = ST_OK;
    for (int i = 0; i < 6 && st == ST_OK && one->attributes >= 0; i++) {
        double x = 0, y = 0;
        bool there[2];
        if (i < 5 && build_value(b, (enum intake_key)((int)IN_signal_scale_factor + i))->set)
            continue;
        st = attribute_numbers(one->attributes, names[i], &x, 1, &there[0], rep);
        if (st == ST_OK) st = attribute_numbers(other->attributes, names[i], &y, 1, &there[1], rep);
        if (st == ST_OK && (there[0] != there[1] || (x != y && !(isnan(x) && isnan(y)))))
            st = fail(rep, ST_INPUT,
                      "%s and %s have different attributes '%s'; the four quadrants must be alike",
                      other->name, one->name, names[i]);
    }
    return st;
}

static enum status open_quadrant(struct build *b, struct taking *t, enum intake_key key,
                                 const struct array *a, const char *unit, struct array **out,
                                 struct report *rep)
{
    char own[64];
    enum status st = build_array(b, key, &t->axes, out, rep);
    if (st != ST_OK) return st;
    st = build_unit(b, key, *out, own, rep);
    if (st != ST_OK) return st;
    if (strcmp(own, unit) != 0)
        st = fail(rep, ST_INPUT, "its unit is %s, that of the signal %s", own, unit);
    if (st == ST_OK) st = quadrants_alike(a, *out, rep);
    if (st == ST_OK) st = same_packing(b, a, *out, rep);
    return st == ST_OK ? st : description_at(b->d, key, st, rep);
}

/* *signal, the quadrant A, becomes all four, and gets their axis. It is taken, also on failure. */
static enum status put_quadrants_together(struct build *b, struct taking *t, struct array **signal,
                                          const char *unit, struct report *rep)
{
    static const enum intake_key keys[] = {IN_approach_quadrant_b, IN_approach_quadrant_c,
                                           IN_approach_quadrant_d};
    enum intake_key first = key_of(t, keys[0]);
    struct array *part[QUADRANTS] = {*signal};
    enum status st = ST_OK;
    if (t->ragged || axes_find(&t->axes, AXIS_QUADRANT) >= 0)
        st = description_at(b->d, first,
                            fail(rep, ST_RECIPE, "%s",
                                 t->ragged ? "does not go with starts: curves of different lengths "
                                             "in one array have one signal"
                                           : "does not go with axes that have the quadrants "
                                             "already"),
                            rep);
    for (int i = 1; i < QUADRANTS && st == ST_OK; i++)
        st = open_quadrant(b, t, key_of(t, keys[i - 1]), part[0], unit, &part[i], rep);
    if (st != ST_OK) {
        for (int i = 0; i < QUADRANTS; i++)
            if (part[i]) part[i]->drop(part[i]);
        return st;
    }
    st = array_quadrants(signal, part, rep);
    if (st != ST_OK) return description_at(b->d, first, st, rep);
    t->axes.role[t->axes.rank++] = AXIS_QUADRANT;
    return ST_OK;
}

static enum status take_segment(struct build *b, enum segment_id id, struct report *rep)
{
    struct taking t = {.id = id};
    char unit[64];
    enum status st;
    if (!build_value(b, intake_key_of(id, IN_approach_signal))->set) return ST_OK;
    if ((st = open_signal(b, &t, rep)) != ST_OK) goto done;
    st = t.ragged ? take_ragged(b, &t, rep) : take_span(b, &t, rep);
    if (st == ST_OK && id == SEG_APPROACH) st = find_grid(b, &t, rep);
    if (st == ST_OK) st = take_places(b, &t, rep);
    if (st == ST_OK) st = build_unit(b, intake_key_of(id, IN_approach_signal), t.signal, unit, rep);
    if (st != ST_OK) goto done;
    struct array *signal = t.signal;
    if ((st = put_z(b, &t, rep)) != ST_OK || (st = put_lateral(b, &t, rep)) != ST_OK) goto done;
    t.signal = NULL;
    if (build_value(b, intake_key_of(id, IN_approach_quadrant_b))->set &&
        (st = put_quadrants_together(b, &t, &signal, unit, rep)) != ST_OK)
        goto done;
    st = put_samples(b, &t, "signal", signal, &t.axes, unit, IN_signal_scale_factor, rep);
    if (st == ST_OK && t.ragged) st = put_lengths(b, &t, rep);
    if (st == ST_OK) st = build_segment_numbers(b, id, t.ragged, rep);
    if (st == ST_OK) st = build_stage(b, id, rep);
done:
    if (t.signal) t.signal->drop(t.signal);
    curve_list_drop(&t.list);
    return st;
}

enum status build_arrays(struct build *b, struct report *rep)
{
    enum status st = ST_OK;
    for (int id = 0; id < SEG_COUNT && st == ST_OK; id++)
        st = take_segment(b, (enum segment_id)id, rep);
    return st;
}
