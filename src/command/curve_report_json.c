/* The report of one pixel for a program. */
#include "command/curve_case.h"
#include "command/describe.h"

#include <math.h>

static const char *const segment_names[SEG_COUNT] = {"approach", "dwell", "retract"};
static const char *const stage_names[] = {"detector", "quadrants", "deflection", "force"};

static json_t *place_json(const struct curve_case *c)
{
    return json_pack("{s:I, s:I, s:f, s:f, s:o, s:I, s:I, s:o}", "column", (json_int_t)c->column,
                     "row", (json_int_t)c->row, "x_m", c->facts->x_m[c->volume_column], "y_m",
                     c->facts->y_m[c->volume_row], "volume", describe_text(c->volume_path),
                     "volume_column", (json_int_t)c->volume_column, "volume_row",
                     (json_int_t)c->volume_row, "recipe", describe_text(c->recipe_from));
}

static json_t *baseline_json(const struct segment_trace *t, double spring)
{
    return json_pack("{s:I, s:o, s:o, s:o, s:o, s:o}", "samples", (json_int_t)t->baseline_end,
                     "z_ref_m", describe_real(t->z_ref_m), "offset_m", describe_real(t->offset_m),
                     "slope", describe_real(t->slope), "noise_m", describe_real(t->noise_m),
                     "noise_n", describe_real(t->noise_m * spring));
}

static json_t *segments_json(const struct curve_case *c)
{
    json_t *out = json_object();
    for (int s = 0; s < SEG_COUNT; s++) {
        const struct segment_facts *f = &c->facts->seg[s];
        const struct segment_trace *t = &c->trace.seg[s];
        if (!f->there) continue;
        json_t *one = json_pack("{s:s, s:o, s:o, s:I, s:I}", "stage", stage_names[f->stage], "type",
                                describe_text(f->type), "units", describe_text(f->units), "samples",
                                (json_int_t)c->raw.seg[s].n, "clipped",
                                (json_int_t)c->raw.seg[s].clipped);
        if (s != SEG_DWELL) json_object_set_new(one, "usable", json_integer((json_int_t)t->n));
        if (t->n)
            json_object_set_new(one, "baseline", baseline_json(t, c->plan.setup.spring_n_per_m));
        json_object_set_new(out, segment_names[s], one);
    }
    return out;
}

static json_t *used_json(const struct curve_case *c)
{
    json_t *out = json_object();
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct known *k = &c->plan.lever.item[i];
        if (!isfinite(k->value)) continue;
        json_object_set_new(out, lever_rows[i].name,
                            json_pack("{s:f, s:o, s:s, s:o}", "value", k->value,
                                      "standard_uncertainty", describe_real(k->u), "unit",
                                      lever_rows[i].si_unit, "origin", describe_text(k->origin)));
    }
    return out;
}

static json_t *fit_json(const struct curve_case *c)
{
    const struct segment_trace *t = &c->trace.seg[c->trace.fitted];
    size_t used = 0;
    for (size_t i = 0; i < t->n && c->trace.in_fit; i++)
        used += c->trace.in_fit[i] != 0;
    return json_pack("{s:s, s:s, s:s, s:I, s:o, s:o, s:o}", "model", c->plan.model->name, "segment",
                     segment_names[c->plan.segment], "space",
                     c->plan.force_space ? "force" : "deflection", "samples", (json_int_t)used,
                     "contact_point_m", describe_real(c->trace.contact_point_m),
                     "reduced_modulus_pa", describe_real(c->trace.sample.reduced_modulus_pa),
                     "work_of_adhesion_j_per_m2", describe_real(c->trace.sample.work_j_per_m2));
}

static json_t *results_json(const struct curve_case *c)
{
    json_t *out = json_object();
    for (int i = 0; i < MAP_COUNT; i++) {
        char label[64];
        if (!map_is_made(&c->plan.extent, i)) continue;
        map_label(i, label);
        json_object_set_new(out, label,
                            json_pack("{s:o, s:o, s:s}", "value",
                                      describe_real(c->result.map[i].value), "standard_error",
                                      describe_real(c->result.map[i].error), "unit",
                                      map_rows[i].si_unit));
    }
    return out;
}

static json_t *flags_json(const struct curve_case *c)
{
    json_t *out = json_array();
    for (int i = 0; i < FLAG_COUNT; i++)
        if (c->result.flags >> i & 1) json_array_append_new(out, json_string(flag_rows[i].name));
    return out;
}

enum status curve_report_json(const struct curve_case *c, const char *figure, const char *columns,
                              struct report *rep)
{
    return describe_print(
        json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:s, s:o, s:o, s:o}", "file",
                  describe_text(c->file), "place", place_json(c), "segments", segments_json(c),
                  "calibration", used_json(c), "fit", fit_json(c), "results", results_json(c),
                  "state", state_rows[c->result.state].name, "flags", flags_json(c), "figure",
                  describe_text(figure), "columns", columns ? describe_text(columns) : json_null()),
        rep);
}
