/* Drift of a map file's maps along the scan, for `cantle describe`. */
#include "base/units.h"
#include "command/describe.h"
#include "maps/maps.h"
#include "review/drift.h"

#include <math.h>
#include <stdlib.h>

static const enum map_id drifting[] = {MAP_baseline_slope, MAP_baseline_gap, MAP_force_noise,
                                       MAP_adhesion,       MAP_modulus,      MAP_contact_height};
enum { DRIFTING = sizeof drifting / sizeof *drifting };

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
        const struct map_row *row = &map_rows[drifting[k]];
        struct drift d;
        char change[48], error[48];
        if (!v->map[drifting[k]]) continue;
        st = in_order(v, drifting[k], values, rep);
        if (st == ST_OK) st = drift_find(values, v->ny, v->nx, &d, rep);
        if (st != ST_OK || isnan(d.change)) continue;
        if (json) {
            json_object_set_new(*json, row->name,
                                json_pack("{s:s, s:o, s:o, s:o, s:I}", "unit", row->si_unit,
                                          "change", describe_real(d.change), "standard_error",
                                          describe_real(d.error), "typical",
                                          describe_real(d.typical), "lines", (json_int_t)d.lines));
            continue;
        }
        describe_value(d.change, row->si_unit, change, sizeof change);
        describe_value(d.error, row->si_unit, error, sizeof error);
        describe_line(first ? "drift" : "", "%-16s %12s +- %s from the first line to the last",
                      row->name, change, error);
        first = false;
    }
    free(values);
    return st;
}
