#include "command/map_summary.h"

#include "base/units.h"
#include "command/tip_words.h"
#include "maps/parent.h"

#include <math.h>
#include <stdio.h>

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

static void print_drift(const struct shared_walk *w)
{
    char step[48];
    units_show(w->step, "m", 3, step, sizeof step);
    printf(
        "drift: the deflection walks by %s (rms) a sample, seen in %zu curves together; it is in "
        "the standard errors\n",
        step, w->curves);
}

static void print_refit(const struct maps_parent *p, size_t pixels)
{
    char words[64];
    reuse_words(p->reuse, words);
    printf("refit of %s: %zu pixels fitted again", p->view.path, p->n_chosen);
    if (p->n_chosen < pixels) printf(", %zu copied", pixels - p->n_chosen);
    printf("; taken from it: %s\n", words);
}

void map_summary_print(const struct map_outcome *o)
{
    const struct curve_plan *plan = o->plan;
    const struct maps_summary *s = o->summary;
    static const enum map_id shown[] = {MAP_modulus,          MAP_adhesion,    MAP_work_of_adhesion,
                                        MAP_deformation,      MAP_indentation, MAP_peak_force,
                                        MAP_mean_pressure,    MAP_force_noise, MAP_hardness,
                                        MAP_unloading_modulus};
    const size_t pixels = o->pixels - o->before;
    printf("%zu pixels in %.1f s on %d rank%s (%.0f pixels/s)\n", pixels, o->seconds, o->ranks,
           o->ranks == 1 ? "" : "s", (double)pixels / fmax(o->seconds, 1e-3));
    if (o->run > 1)
        printf("run %llu of this file: %zu pixels were done by earlier runs and kept\n",
               (unsigned long long)o->run, o->before);
    printf("model: %s, %s curve, residual in %s\n", plan->model->name,
           plan->segment == SEG_APPROACH ? "approach" : "retract",
           plan->force_space ? "force against indentation" : "deflection against z");
    if (o->parent) print_refit(o->parent, o->pixels);
    if (plan->thickness_from_substrate) print_substrate(&plan->substrate);
    if (plan->drift_from_volume && plan->drift_seen.step > 0) print_drift(&plan->drift_seen);
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
    if (o->budget) print_budget(o->budget);
    for (size_t i = 0; i < s->tip.n; i++) {
        char words[400];
        tip_words(&s->tip.at[i], words, sizeof words);
        printf("warning: tip: %s; all pixels from there on are flagged tip_changed\n", words);
    }
    printf("maps: %s\n", o->output);
}
