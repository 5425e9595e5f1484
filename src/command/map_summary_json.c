/* The same as one JSON object, in SI units. */
#include "command/describe.h"
#include "command/map_summary.h"
#include "command/tip_words.h"
#include "maps/parent.h"

#include <math.h>

static json_t *states_json(const struct maps_summary *s)
{
    json_t *out = json_object();
    for (int i = 0; i < STATE_COUNT; i++)
        json_object_set_new(out, state_rows[i].name, json_integer((json_int_t)s->state[i]));
    return out;
}

static json_t *flags_json(const struct maps_summary *s)
{
    json_t *out = json_object();
    for (int i = 0; i < FLAG_COUNT; i++)
        json_object_set_new(out, flag_rows[i].name, json_integer((json_int_t)s->flag[i]));
    return out;
}

static json_t *maps_json(const struct curve_plan *plan, const struct maps_summary *s)
{
    json_t *out = json_object();
    for (int i = 0; i < MAP_COUNT; i++) {
        char label[64];
        if (!map_is_made(&plan->extent, i)) continue;
        map_label(i, label);
        json_object_set_new(
            out, label,
            json_pack("{s:s, s:I, s:o, s:o, s:o}", "unit", map_rows[i].si_unit, "n",
                      (json_int_t)s->map[i].n, "median", describe_real(s->map[i].median), "q25",
                      describe_real(s->map[i].q25), "q75", describe_real(s->map[i].q75)));
    }
    return out;
}

static json_t *substrate_json(const struct curve_plan *plan)
{
    const struct plane *p = &plan->substrate;
    if (!plan->thickness_from_substrate) return json_null();
    return json_pack("{s:I, s:o, s:o}", "contact_heights", (json_int_t)p->n, "slope_rad",
                     describe_real(atan(hypot(p->c[1], p->c[2]) / p->scale)), "scatter_m",
                     describe_real(p->scatter));
}

static json_t *drift_json(const struct curve_plan *plan)
{
    const struct shared_walk *w = &plan->drift_seen;
    if (!plan->drift_from_volume) return json_null();
    return json_pack("{s:o, s:o, s:o, s:I}", "step_m", describe_real(w->step), "power_ratio",
                     describe_real(w->ratio), "likelihood_gain", describe_real(w->gain), "curves",
                     (json_int_t)w->curves);
}

static json_t *refit_json(const struct maps_parent *p)
{
    char words[64];
    if (!p) return json_null();
    reuse_words(p->reuse, words);
    return json_pack("{s:o, s:I, s:s}", "parent", describe_text(p->view.path), "pixels_chosen",
                     (json_int_t)p->n_chosen, "taken_from_it", words);
}

enum status map_summary_json(const struct map_outcome *o, struct report *rep)
{
    const struct curve_plan *plan = o->plan;
    const struct maps_summary *s = o->summary;
    const bool usable = s->state[STATE_accepted] + s->state[STATE_doubtful] > 0;
    const enum status st = usable || o->finished_already ? ST_OK : ST_ALL_REJECTED;
    json_t *fit = json_pack("{s:s, s:s, s:s}", "model", plan->model->name, "segment",
                            plan->segment == SEG_APPROACH ? "approach" : "retract", "space",
                            plan->force_space ? "force" : "deflection");
    return describe_print(
        json_pack("{s:o, s:s, s:i, s:b, s:f, s:i, s:o, s:I, s:I, s:o, s:o, s:o, s:o, s:o, s:o, "
                  "s:o, s:o, s:o}",
                  "output", describe_text(o->output), "status", status_name(st), "exit_status",
                  status_exit(st), "finished_already", o->finished_already, "seconds", o->seconds,
                  "ranks", o->ranks, "run",
                  o->finished_already ? json_null() : json_integer((json_int_t)o->run), "pixels",
                  (json_int_t)o->pixels, "pixels_by_earlier_runs", (json_int_t)o->before, "fit",
                  fit, "refit", refit_json(o->parent), "substrate", substrate_json(plan), "drift",
                  drift_json(plan), "states", states_json(s), "flags", flags_json(s), "maps",
                  maps_json(plan, s), "uncertainty",
                  o->budget ? describe_budget_json(o->budget) : json_null(), "tip",
                  tip_json(&s->tip)),
        rep);
}
