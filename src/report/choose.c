#include "report/choose.h"

#include "base/units.h"

#include <math.h>
#include <stdlib.h>

const struct pick_row pick_rows[PICK_COUNT] = {
#define P(name, words) {#name, words},
    PICK_LIST(P)
#undef P
};

/* Add a pixel, or one more reason to one that is there. Room was made for all that can come. */
static struct pick *take(struct picks *p, const struct maps_view *view, size_t *where, size_t pixel,
                         enum pick_reason reason)
{
    if (where[pixel] == 0) {
        p->pick[p->n] = (struct pick){.column = pixel % view->nx, .row = pixel / view->nx};
        where[pixel] = ++p->n;
    }
    struct pick *pick = &p->pick[where[pixel] - 1];
    pick->reasons |= 1u << reason;
    return pick;
}

static bool usable(const struct maps_view *view, size_t pixel, bool doubtful)
{
    return view->state[pixel] == STATE_accepted ||
           (doubtful && view->state[pixel] == STATE_doubtful);
}

/* The pixel of the uncertainty's table, if there is one: one curve, one word. */
static bool typical_of_budget(const struct maps_view *view, size_t *pixel)
{
    if (!view->has_budget || view->budget.row >= view->ny || view->budget.col >= view->nx)
        return false;
    size_t row = view->y_flipped ? view->ny - 1 - view->budget.row : view->budget.row;
    size_t column = view->x_flipped ? view->nx - 1 - view->budget.col : view->budget.col;
    *pixel = row * view->nx + column;
    return true;
}

/* What a pixel is measured by: the smallest wins; NaN does not take part. */
static double distance(const struct maps_view *view, size_t pixel, enum pick_reason reason,
                       double median)
{
    double modulus = (double)view->map[MAP_modulus][pixel], error = NAN;
    if (view->error[MAP_modulus]) error = (double)view->error[MAP_modulus][pixel];
    double relative = modulus > 0 && error > 0 ? error / modulus : (double)NAN;
    switch (reason) {
    case PICK_typical:
        return fabs(modulus - median);
    case PICK_best:
        return relative;
    case PICK_worst:
        return -relative;
    default:
        return view->map[MAP_reduced_chi_square] ? -(double)view->map[MAP_reduced_chi_square][pixel]
                                                 : (double)NAN;
    }
}

static bool find(const struct maps_view *view, enum pick_reason reason, bool doubtful,
                 double median, size_t *pixel)
{
    double least = INFINITY;
    bool found = false;
    if (!view->map[MAP_modulus]) return false;
    for (size_t i = 0; i < view->nx * view->ny; i++) {
        double d = usable(view, i, doubtful) ? distance(view, i, reason, median) : (double)NAN;
        if (!(d < least)) continue;
        least = d;
        *pixel = i;
        found = true;
    }
    return found;
}

static void take_extremes(struct picks *p, const struct maps_view *view, size_t *where)
{
    static const enum pick_reason order[] = {PICK_typical, PICK_best, PICK_worst, PICK_worst_fit};
    double factor = 1, median = NAN;
    struct report unused;
    size_t pixel;
    if (view->map[MAP_modulus] && units_from_si(map_rows[MAP_modulus].si_unit,
                                                view->unit[MAP_modulus], &factor, &unused) == ST_OK)
        median = view->summary.map[MAP_modulus].median * factor;
    for (size_t i = 0; i < sizeof order / sizeof *order; i++) {
        bool both = order[i] == PICK_worst || order[i] == PICK_worst_fit;
        bool found = order[i] == PICK_typical && typical_of_budget(view, &pixel);
        found = found || find(view, order[i], both, median, &pixel) ||
                find(view, order[i], true, median, &pixel);
        if (found) take(p, view, where, pixel, order[i]);
    }
}

static void take_flags(struct picks *p, const struct maps_view *view, size_t *where)
{
    for (int bit = 0; bit < FLAG_COUNT; bit++) {
        int fewest = FLAG_COUNT + 1;
        size_t pixel = 0;
        if (bit == FLAGBIT_absent) continue;
        for (size_t i = 0; i < view->nx * view->ny; i++) {
            if (!(view->flags[i] >> bit & 1) || view->state[i] == STATE_absent) continue;
            int n = __builtin_popcountll(view->flags[i]);
            if (n >= fewest) continue;
            fewest = n;
            pixel = i;
        }
        if (fewest <= FLAG_COUNT)
            take(p, view, where, pixel, PICK_flag)->flags |= UINT64_C(1) << bit;
    }
}

/* The i-th number of van der Corput's sequence in 0..1. */
static double corput(size_t i, size_t base)
{
    double value = 0, part = 1;
    for (; i > 0; i /= base) {
        part /= (double)base;
        value += part * (double)(i % base);
    }
    return value;
}

static void take_spread(struct picks *p, const struct maps_view *view, size_t *where, size_t most)
{
    const size_t n = view->nx * view->ny, tries = most < n / 2 ? 8 * most : 4 * n;
    for (size_t i = 1; i <= tries && p->n < most; i++) {
        size_t column = (size_t)(corput(i, 2) * (double)view->nx);
        size_t pixel = (size_t)(corput(i, 3) * (double)view->ny) * view->nx + column;
        if (view->state[pixel] != STATE_absent && where[pixel] == 0)
            take(p, view, where, pixel, PICK_spread);
    }
    for (size_t i = 0; i < n && p->n < most; i++) /* what the sequence has not met */
        if (view->state[i] != STATE_absent && where[i] == 0) take(p, view, where, i, PICK_spread);
}

enum status picks_make(struct picks *out, const struct maps_view *view,
                       const struct pixel_place *asked, size_t n_asked, size_t further,
                       struct report *rep)
{
    const size_t n = view->nx * view->ny;
    size_t *where = calloc(n, sizeof *where), most = PICK_COUNT + FLAG_COUNT + n_asked;
    if (further > n) further = n;
    *out = (struct picks){.pick = calloc(most + further, sizeof *out->pick)};
    if (!where || !out->pick) {
        free(where);
        picks_free(out);
        return fail(rep, ST_MEMORY, "not enough memory to choose among %zu pixels", n);
    }
    take_extremes(out, view, where);
    take_flags(out, view, where);
    for (size_t i = 0; i < n_asked; i++)
        take(out, view, where, asked[i].row * view->nx + asked[i].column, PICK_asked);
    out->needed = out->n;
    take_spread(out, view, where, out->n + further);
    free(where);
    return ST_OK;
}

void picks_free(struct picks *p)
{
    free(p->pick);
    *p = (struct picks){0};
}
