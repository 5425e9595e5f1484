/* Drift of a map file's maps along the scan, for `cantle describe`. */
#include "base/units.h"
#include "command/describe.h"
#include "maps/maps.h"
#include "review/drift.h"

#include <math.h>
#include <stdlib.h>

static const struct {
    enum map_id map;
    double share; /* quantile of each line */
    double least; /* told only from this typical value on */
} drifting[] = {
    {MAP_baseline_slope, 0.5, -INFINITY},
    {MAP_baseline_offset, 0.5, -INFINITY},
    {MAP_baseline_gap, 0.5, -INFINITY},
    {MAP_force_noise, 0.5, -INFINITY},
    /* only what is nearly rigid shows the sensitivity: there the sample's share of the piezo's way,
     * a tenth, can change little */
    {MAP_contact_slope, 0.95, 0.9},
    {MAP_adhesion, 0.5, -INFINITY},
    {MAP_modulus, 0.5, -INFINITY},
    {MAP_contact_height, 0.5, -INFINITY},
};
enum { DRIFTING = sizeof drifting / sizeof *drifting };

static json_t *drift_json(const struct drift *d, const char *unit, double share)
{
    return json_pack("{s:s, s:o, s:o, s:o, s:f, s:I}", "unit", unit, "change",
                     describe_real(d->change), "standard_error", describe_real(d->error), "typical",
                     describe_real(d->typical), "line_quantile", share, "lines",
                     (json_int_t)d->lines);
}

static void drift_print(const char *label, const struct map_row *row, const struct drift *d)
{
    char change[48], error[48];
    describe_value(d->change, row->si_unit, change, sizeof change);
    describe_value(d->error, row->si_unit, error, sizeof error);
    describe_line(label, "%-16s %12s +- %s from the first line to the last", row->name, change,
                  error);
    if (row != &map_rows[MAP_contact_slope]) return;
    describe_line("", "  the steepest of each line, where it is nearly rigid: sensitivity %+.2g %%",
                  -100 * d->change / d->typical);
}

/* The map in SI in the order of the scan; rejected and absent pixels are NaN. */
static enum status in_order(const struct maps_view *v, enum map_id map, double *out,
                            struct report *rep)
{
    double factor;
    enum status st = units_from_si(map_rows[map].si_unit, v->unit[map], &factor, rep);
    for (size_t i = 0; i < v->ny && st == ST_OK; i++)
        for (size_t j = 0; j < v->nx; j++) {
            size_t from = (v->y_flipped ? v->ny - 1 - i : i) * v->nx + j;
            bool usable = v->state[from] == STATE_accepted || v->state[from] == STATE_doubtful;
            out[i * v->nx + j] = usable ? (double)v->map[map][from] / factor : (double)NAN;
        }
    return st;
}

enum status describe_drift(const struct maps_view *v, json_t **json, struct report *rep)
{
    double *values = malloc(v->ny * v->nx * sizeof *values);
    enum status st = values ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for the drift");
    bool first = true;
    if (json) *json = json_object();
    for (int k = 0; k < DRIFTING && st == ST_OK; k++) {
        const enum map_id map = drifting[k].map;
        const struct map_row *row = &map_rows[map];
        struct drift d;
        if (!v->map[map]) continue;
        st = in_order(v, map, values, rep);
        if (st == ST_OK) st = drift_find(values, v->ny, v->nx, drifting[k].share, &d, rep);
        if (st != ST_OK || isnan(d.change) || !(d.typical >= drifting[k].least)) continue;
        if (json) {
            json_object_set_new(*json, row->name, drift_json(&d, row->si_unit, drifting[k].share));
            continue;
        }
        drift_print(first ? "drift" : "", row, &d);
        first = false;
    }
    free(values);
    return st;
}
