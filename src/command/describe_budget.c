/* The uncertainty of a whole map, for people and for programs. */
#include "command/describe.h"

#include "base/words.h"
#include "recipe/recipe.h"

#include <math.h>
#include <stdio.h>

static void spring_word(const struct budget *b, char out[32])
{
    const struct recipe_row *key = &recipe_rows[KEY_calibration_spring_constant_from];
    words_at(recipe_choices(key), (size_t)b->spring_from, out, 32);
}

/* --- text --- */

static void percent(double share, char out[16])
{
    snprintf(out, 16, isnan(share) ? "not known" : "%.3g %%", 100 * share);
}

static void print_line(const struct budget *b, const struct budget_result *r, size_t i)
{
    const struct budget_input *in = &b->input[i];
    const struct lever_row *row = &lever_rows[in->item];
    char value[48], u[48], contribution[16], share[16];
    describe_value(in->value, row->si_unit, value, sizeof value);
    if (in->u_is == KNOWLEDGE_unknown)
        snprintf(u, sizeof u, "%s", knowledge_words[in->u_is]);
    else
        describe_value(in->u, row->si_unit, u, sizeof u);
    percent(r->contribution[i], contribution);
    percent(r->share[i], share);
    describe_line("", "  %-32.32s %12s %12s%s %8.3g%s %10s %10s", row->words, value, u,
                  in->u_is == KNOWLEDGE_assumed ? "*" : " ", r->coefficient[i],
                  in->logarithmic ? " " : "'", contribution, share);
}

static void print_result(const struct budget *b, int q)
{
    const struct budget_result *r = &b->result[q];
    const struct map_row *row = &map_rows[budget_maps[q]];
    char value[48];
    describe_value(r->value, row->si_unit, value, sizeof value);
    describe_line("", "%s, %s: relative standard uncertainty %s%.3g %%", row->words, value,
                  r->complete ? "" : "at least ", 100 * r->combined);
    describe_line("", "  %-32s %12s %12s  %8s  %10s %10s", "input", "value", "u", "c",
                  "contribution", "share");
    for (size_t i = 0; i < b->n; i++)
        if (r->coefficient[i] != 0) print_line(b, r, i);
    if (r->draws == 0) return;
    describe_line("",
                  "  Monte Carlo, %zu draws: mean %.3g, standard deviation %.3g %%, 95 %% "
                  "between %.3g and %.3g times the value%s",
                  r->draws, r->mean, 100 * r->spread, r->low, r->high,
                  r->differs ? "; NOT LINEAR: trust these numbers, not the sum" : "");
}

void describe_budget(const struct budget *b)
{
    char from[32];
    bool assumed = false, plain = false;
    spring_word(b, from);
    describe_line("uncertainty",
                  "of the whole map from calibration, tip and sample values, at row %zu, column "
                  "%zu of the volume",
                  b->row, b->col);
    describe_line("",
                  "common to all pixels: no part of the standard errors, and no statistics over "
                  "pixels makes it smaller");
    describe_line("", "spring constant from: %s", from);
    if (b->spring_exponent != 0)
        describe_line("", "  found together with the sensitivity s, so it goes with it as s^%.3g",
                      b->spring_exponent);
    for (int q = 0; q < BUDGET_COUNT; q++)
        if (b->result[q].there) print_result(b, q);
    for (size_t i = 0; i < b->n; i++) {
        assumed = assumed || b->input[i].u_is == KNOWLEDGE_assumed;
        plain = plain || !b->input[i].logarithmic;
    }
    describe_line("", "c: d ln(result)/d ln(input)%s",
                  plain ? "; ' d ln(result)/d(input), angles in rad" : "");
    if (assumed) describe_line("", "* assumed: a maker's nominal value, not stated");
}

/* --- JSON --- */

static json_t *json_inputs(const struct budget *b, const struct budget_result *r)
{
    json_t *out = json_array();
    for (size_t i = 0; i < b->n; i++) {
        const struct budget_input *in = &b->input[i];
        const struct lever_row *row = &lever_rows[in->item];
        json_array_append_new(out, json_pack("{s:s, s:o, s:o, s:s, s:s, s:o, s:b, s:o, s:o}",
                                             "input", row->name, "value", describe_real(in->value),
                                             "standard_uncertainty", describe_real(in->u), "unit",
                                             row->si_unit, "knowledge", knowledge_words[in->u_is],
                                             "coefficient", describe_real(r->coefficient[i]),
                                             "logarithmic", in->logarithmic, "contribution",
                                             describe_real(r->contribution[i]), "share",
                                             describe_real(r->share[i])));
    }
    return out;
}

json_t *describe_budget_json(const struct budget *b)
{
    char from[32];
    spring_word(b, from);
    json_t *out = json_pack("{s:I, s:I, s:s}", "volume_row", (json_int_t)b->row, "volume_column",
                            (json_int_t)b->col, "spring_constant_from", from);
    for (int q = 0; q < BUDGET_COUNT && out; q++) {
        const struct budget_result *r = &b->result[q];
        const struct map_row *row = &map_rows[budget_maps[q]];
        if (!r->there) continue;
        json_t *carlo = json_pack("{s:I, s:o, s:o, s:o, s:o, s:b}", "draws", (json_int_t)r->draws,
                                  "mean", describe_real(r->mean), "uncertainty",
                                  describe_real(r->spread), "low", describe_real(r->low), "high",
                                  describe_real(r->high), "differs", r->differs);
        json_object_set_new(out, row->name,
                            json_pack("{s:o, s:s, s:o, s:b, s:o, s:o}", "value",
                                      describe_real(r->value), "unit", row->si_unit, "combined",
                                      describe_real(r->combined), "complete", r->complete, "inputs",
                                      json_inputs(b, r), "monte_carlo", carlo));
    }
    return out;
}
