#include "maps/budget_file.h"

#include "base/words.h"
#include "maps/h5get.h"
#include "recipe/recipe.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *const scales[2] = {"linear", "logarithmic"};

/* --- writing --- */

static void put_inputs(struct h5put *p, hid_t group, const struct budget *b)
{
    const char *name[LEVER_COUNT], *unit[LEVER_COUNT], *known[LEVER_COUNT], *scale[LEVER_COUNT];
    double value[LEVER_COUNT], u[LEVER_COUNT];
    for (size_t i = 0; i < b->n; i++) {
        const struct budget_input *in = &b->input[i];
        name[i] = lever_rows[in->item].name;
        unit[i] = lever_rows[in->item].si_unit;
        known[i] = knowledge_words[in->u_is];
        scale[i] = scales[in->logarithmic];
        value[i] = in->value;
        u[i] = in->u;
    }
    h5put_texts(p, group, "input", name, b->n);
    h5put_texts(p, group, "unit", unit, b->n);
    h5put_reals(p, group, "value", value, b->n, NULL);
    h5put_reals(p, group, "standard_uncertainty", u, b->n, NULL);
    h5put_texts(p, group, "knowledge", known, b->n);
    h5put_texts(p, group, "coefficient_scale", scale, b->n);
}

static void put_result(struct h5put *p, hid_t parent, const struct budget *b, int q)
{
    const struct budget_result *r = &b->result[q];
    const struct map_row *row = &map_rows[budget_maps[q]];
    const double interval[2] = {r->low, r->high};
    hid_t group = h5put_group(p, parent, row->name, "NXcollection");
    h5put_real(p, group, "value", r->value, row->si_unit);
    h5put_reals(p, group, "coefficient", r->coefficient, b->n, NULL);
    h5put_reals(p, group, "contribution", r->contribution, b->n, "1");
    h5put_reals(p, group, "share", r->share, b->n, "1");
    h5put_real(p, group, "combined", r->combined, "1");
    h5put_integer(p, group, "complete", r->complete);
    h5put_count(p, group, "monte_carlo_draws", r->draws);
    h5put_real(p, group, "monte_carlo_mean", r->mean, "1");
    h5put_real(p, group, "monte_carlo_uncertainty", r->spread, "1");
    h5put_reals(p, group, "monte_carlo_interval", interval, 2, "1");
    h5put_integer(p, group, "differs", r->differs);
    h5put_close(p, &group);
}

void budget_put(struct h5put *p, hid_t entry, const struct budget *b, const struct maps_layout *l)
{
    char from[32] = "";
    const struct recipe_row *key = &recipe_rows[KEY_calibration_spring_constant_from];
    hid_t group = h5put_group(p, entry, strrchr(BUDGET_GROUP, '/') + 1, "NXcollection");
    h5put_attr_text(p, group, "comment",
                    "relative standard uncertainty of the whole map from calibration, tip and "
                    "sample values, at a typical pixel; common to all pixels, no part of the maps' "
                    "standard errors");
    words_at(recipe_choices(key), (size_t)b->spring_from, from, sizeof from);
    h5put_text(p, group, "spring_constant_from", from);
    h5put_real(p, group, "spring_constant_exponent", b->spring_exponent, "1");
    h5put_count(p, group, "row", l->rows_reversed ? l->ny - 1 - b->row : b->row);
    h5put_count(p, group, "column", l->columns_reversed ? l->nx - 1 - b->col : b->col);
    h5put_count(p, group, "volume_row", b->row);
    h5put_count(p, group, "volume_column", b->col);
    h5put_count(p, group, "draws", b->draws);
    h5put_count(p, group, "seed", b->seed);
    put_inputs(p, group, b);
    for (int q = 0; q < BUDGET_COUNT; q++)
        if (b->result[q].there) put_result(p, group, b, q);
    h5put_close(p, &group);
}

/* --- reading --- */

static int index_of(const char *word, const char *const *words, int n)
{
    int i = 0;
    while (i < n && strcmp(word, words[i]) != 0)
        i++;
    return i < n ? i : -1;
}

static enum status get_input(struct budget_input *in, hid_t group, size_t i, struct report *rep)
{
    char name[64], known[32], scale[32];
    h5get_text_at(group, "input", i, name, sizeof name);
    h5get_text_at(group, "knowledge", i, known, sizeof known);
    h5get_text_at(group, "coefficient_scale", i, scale, sizeof scale);
    int item = 0, u_is = index_of(known, knowledge_words, KNOWLEDGE_COUNT),
        logarithmic = index_of(scale, scales, 2);
    while (item < LEVER_COUNT && strcmp(name, lever_rows[item].name) != 0)
        item++;
    if (item == LEVER_COUNT || u_is < 0 || logarithmic < 0)
        return fail(rep, ST_INPUT, "input %zu ('%s') is not understood", i, name);
    in->item = (enum lever_item)item;
    in->u_is = (enum knowledge)u_is;
    in->logarithmic = logarithmic;
    return ST_OK;
}

static enum status get_inputs(struct budget *b, hid_t group, struct report *rep)
{
    double value[LEVER_COUNT], u[LEVER_COUNT];
    enum status st = h5get_length(group, "input", &b->n, rep);
    if (st == ST_OK && b->n > LEVER_COUNT)
        st = fail(rep, ST_INPUT, "input: %zu are more than there can be", b->n);
    if (st == ST_OK) st = h5get_reals(group, "value", b->n, value, rep);
    if (st == ST_OK) st = h5get_reals(group, "standard_uncertainty", b->n, u, rep);
    for (size_t i = 0; i < b->n && st == ST_OK; i++) {
        st = get_input(&b->input[i], group, i, rep);
        b->input[i].value = value[i];
        b->input[i].u = u[i];
    }
    return st;
}

static enum status get_result(struct budget *b, int q, hid_t parent, struct report *rep)
{
    struct budget_result *r = &b->result[q];
    const char *name = map_rows[budget_maps[q]].name;
    size_t complete = 0, differs = 0;
    double interval[2] = {NAN, NAN};
    if (!h5get_has(parent, name)) return ST_OK;
    hid_t group = H5Gopen2(parent, name, H5P_DEFAULT);
    if (group < 0) return fail(rep, ST_INPUT, "%s: this is not a group", name);
    enum status st = h5get_reals(group, "value", 0, &r->value, rep);
    if (st == ST_OK) st = h5get_reals(group, "coefficient", b->n, r->coefficient, rep);
    if (st == ST_OK) st = h5get_reals(group, "contribution", b->n, r->contribution, rep);
    if (st == ST_OK) st = h5get_reals(group, "share", b->n, r->share, rep);
    if (st == ST_OK) st = h5get_reals(group, "combined", 0, &r->combined, rep);
    if (st == ST_OK) st = h5get_count(group, "complete", &complete, rep);
    if (st == ST_OK) st = h5get_count(group, "monte_carlo_draws", &r->draws, rep);
    if (st == ST_OK) st = h5get_reals(group, "monte_carlo_mean", 0, &r->mean, rep);
    if (st == ST_OK) st = h5get_reals(group, "monte_carlo_uncertainty", 0, &r->spread, rep);
    if (st == ST_OK) st = h5get_reals(group, "monte_carlo_interval", 2, interval, rep);
    if (st == ST_OK) st = h5get_count(group, "differs", &differs, rep);
    r->there = true;
    r->complete = complete != 0;
    r->differs = differs != 0;
    r->low = interval[0];
    r->high = interval[1];
    H5Gclose(group);
    return st == ST_OK ? st : within(rep, st, "%s/", name);
}

enum status budget_get(struct budget *out, bool *there, hid_t file, struct report *rep)
{
    *out = (struct budget){0};
    *there = h5get_has(file, BUDGET_GROUP);
    if (!*there) return ST_OK;
    size_t seed = 0;
    hid_t group = H5Gopen2(file, BUDGET_GROUP, H5P_DEFAULT);
    if (group < 0) return fail(rep, ST_INPUT, BUDGET_GROUP ": this is not a group");
    enum status st = get_inputs(out, group, rep);
    if (st == ST_OK) st = h5get_count(group, "volume_row", &out->row, rep);
    if (st == ST_OK) st = h5get_count(group, "volume_column", &out->col, rep);
    if (st == ST_OK) st = h5get_count(group, "draws", &out->draws, rep);
    if (st == ST_OK) st = h5get_count(group, "seed", &seed, rep);
    for (int q = 0; q < BUDGET_COUNT && st == ST_OK; q++)
        st = get_result(out, q, group, rep);
    char *from = h5get_text(group, "spring_constant_from");
    const struct recipe_row *key = &recipe_rows[KEY_calibration_spring_constant_from];
    int word = from ? recipe_choice(recipe_choices(key), from) : -1;
    if (st == ST_OK && word < 0)
        st = fail(rep, ST_INPUT, "spring_constant_from: '%s' is not known", from ? from : "");
    out->spring_from = (enum spring_from)(word < 0 ? 0 : word);
    out->spring_exponent = out->spring_from == SPRING_THERMAL ? -2 : 0; /* files of before */
    if (st == ST_OK && h5get_has(group, "spring_constant_exponent"))
        st = h5get_reals(group, "spring_constant_exponent", 0, &out->spring_exponent, rep);
    out->seed = seed;
    free(from);
    H5Gclose(group);
    return st == ST_OK ? st : within(rep, st, BUDGET_GROUP "/");
}
