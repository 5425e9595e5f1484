/* A comparison as text and as JSON. */
#include "command/comparison.h"

#include "base/units.h"
#include "command/describe.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* --- text --- */

static void print_ratio(const struct agreement *l)
{
    printf("%27s B/A %.4g (geometric mean), limits [%.4g, %.4g]\n", "", exp(l->bias), exp(l->low),
           exp(l->high));
}

static void print_map(const struct comparison *c, enum map_id id)
{
    const struct compared_map *m = &c->map[id];
    const struct agreement *g = &m->plain;
    char bias[48], u[48], low[48], high[48], label[64];
    map_label((int)id, label);
    const char *unit = map_rows[id].si_unit;
    units_show(g->bias, unit, 4, bias, sizeof bias);
    units_show(g->bias_u, unit, 2, u, sizeof u);
    units_show(g->low, unit, 4, low, sizeof low);
    units_show(g->high, unit, 4, high, sizeof high);
    printf("  %-25s bias %s +- %s, limits [%s, %s]", label, bias, u, low, high);
    double r = m->ratios ? m->logs.correlation : g->correlation;
    if (isfinite(r)) printf(", r %.4f%s", r, m->ratios ? " of logarithms" : "");
    printf(", %zu pixels\n", g->n);
    if (m->ratios && m->logs.n > 1) print_ratio(&m->logs);
    if (m->with_u)
        printf("%27s beyond the joint standard error: %zu of %zu pixels, beyond twice it: %zu\n",
               "", m->beyond[0], m->with_u, m->beyond[1]);
}

static void print_maps(const struct comparison *c)
{
    size_t same = 0;
    if (c->used == 0) {
        printf("\nno pixel is accepted or doubtful in both: nothing to say of agreement\n");
        return;
    }
    printf("\nB less A, over %zu pixels that are accepted or doubtful in both:\n", c->used);
    for (int i = 0; i < MAP_COUNT; i++) {
        const struct compared_map *m = &c->map[i];
        if (!c->shown[i] || !m->there || (m->plain.n == 0 && !m->same)) continue;
        if (m->same)
            same++;
        else
            print_map(c, (enum map_id)i);
    }
    if (same) printf("  the same in all these pixels: %zu of these maps\n", same);
    printf("Limits: bias -+ 1.96 standard deviations of the differences, which holds 95 %% of them "
           "where they are\nspread like a normal distribution. +- of a bias takes pixels as "
           "independent: neighbours are not, so it is\ntoo small.\n");
    if (c->same_input)
        printf("The curves are the same in both files, so their noise is in both: differences far "
               "below the joint\nstandard error too come from what was changed, not from noise.\n");
    else
        printf("The curves are others, so noise alone puts a third of the differences beyond one "
               "joint standard\nerror, one in twenty beyond two.\n");
}

static void print_changes(const char *words, const json_t *list)
{
    size_t i;
    json_t *one;
    if (json_array_size(list) == 0) return;
    printf("\n%s\n", words);
    json_array_foreach((json_t *)(uintptr_t)list, i, one)
    {
        char *old = json_dumps(json_object_get(one, "old"),
                               JSON_ENCODE_ANY | JSON_REAL_PRECISION(6));
        char *new = json_dumps(json_object_get(one, "new"),
                               JSON_ENCODE_ANY | JSON_REAL_PRECISION(6));
        printf("  %-34s %.60s -> %.60s\n", json_string_value(json_object_get(one, "key")),
               old ? old : "", new ? new : "");
        free(old);
        free(new);
    }
}

static void print_flags(const struct comparison *c)
{
    bool any = false;
    for (int f = 0; f < FLAG_COUNT; f++) {
        const struct compared_flag *x = &c->flag[f];
        if (!x->gained && !x->lost) continue;
        if (!any) printf("\nflags: gained, lost, in both\n");
        any = true;
        printf("  %7zu %7zu %7zu  %s\n", x->gained, x->lost, x->both, flag_rows[f].name);
    }
    if (!any) printf("\nflags: the same in every pixel\n");
    for (int a = 0; a < STATE_COUNT; a++)
        for (int b = 0; b < STATE_COUNT; b++)
            if (a != b && c->state[a][b])
                printf("  %7zu pixels from %s to %s\n", c->state[a][b], state_rows[a].name,
                       state_rows[b].name);
}

static void print_tables(const struct criterion_table *a, const struct criterion_table *b)
{
    printf("  %-30s %8s %8s\n", "pixels for", "AICc", "BIC");
    for (int i = 0; i < CRITERION_BAND_COUNT; i++)
        printf("  %-30s %8zu %8zu\n", criterion_band_words[i], a->band[i], b->band[i]);
    printf("  %-30s %8.4g %8.4g\n", "median of B less A", a->median, b->median);
}

static void print_wrapped(const char *text)
{
    enum { WIDTH = 96 };
    while (*text) {
        size_t n = strlen(text);
        for (n = n > WIDTH ? WIDTH : n; text[n] && text[n] != ' ';)
            n--;
        printf("%.*s\n", (int)n, text);
        text += n + (text[n] == ' ');
    }
}

static void print_criterion(const struct comparison *c)
{
    if (*c->no_criterion) {
        printf("\nwhich model describes a pixel better: not said, since %s\n", c->no_criterion);
        return;
    }
    printf("\nwhich model describes a pixel better: A %s with %d fitted numbers, B %s with %d\n",
           c->a.model, c->a.unknowns, c->b.model, c->b.unknowns);
    if (c->aicc_table.n == 0)
        printf("  no pixel has both fits, of the same samples\n");
    else
        print_tables(&c->aicc_table, &c->bic_table);
    if (c->unlike)
        printf("  left out: %zu pixels whose two fits took other samples or saw other noise\n",
               c->unlike);
    print_wrapped(comparison_caution);
}

void comparison_print(const struct comparison *c)
{
    char a[512], b[512];
    describe_name(c->a.path, a);
    describe_name(c->b.path, b);
    printf("A  %s: %s, %s\nB  %s: %s, %s\n", a, c->a.model, c->a.segment, b, c->b.model,
           c->b.segment);
    if (c->copied)
        printf("left out: %zu pixels that a refit copied from the file it started from\n",
               c->copied);
    print_changes("recipe: A -> B", c->recipe);
    print_changes("values as used (SI): A -> B", c->used_values);
    print_maps(c);
    print_flags(c);
    print_criterion(c);
}

/* --- JSON --- */

static json_t *agreement_json(const struct agreement *g)
{
    return json_pack("{s:I, s:o, s:o, s:o, s:[o, o], s:o, s:o}", "n", (json_int_t)g->n, "bias",
                     describe_real(g->bias), "bias_u", describe_real(g->bias_u), "spread",
                     describe_real(g->spread), "limits", describe_real(g->low),
                     describe_real(g->high), "limits_u", describe_real(g->limit_u), "correlation",
                     describe_real(g->correlation));
}

static json_t *map_json(const struct comparison *c, enum map_id id)
{
    const struct compared_map *m = &c->map[id];
    json_t *out = agreement_json(&m->plain);
    if (!out) return NULL;
    json_object_set_new(out, "unit", json_string(map_rows[id].si_unit));
    json_object_set_new(out, "same", json_boolean(m->same));
    if (m->ratios) {
        const struct agreement *l = &m->logs;
        json_object_set_new(out, "ratio",
                            json_pack("{s:I, s:o, s:[o, o], s:o}", "n", (json_int_t)l->n, "mean",
                                      describe_real(exp(l->bias)), "limits",
                                      describe_real(exp(l->low)), describe_real(exp(l->high)),
                                      "correlation_of_logarithms", describe_real(l->correlation)));
    }
    if (m->has_u)
        json_object_set_new(out, "beyond_joint_standard_error",
                            json_pack("{s:I, s:I, s:I}", "pixels", (json_int_t)m->with_u, "once",
                                      (json_int_t)m->beyond[0], "twice", (json_int_t)m->beyond[1]));
    return out;
}

static json_t *table_json(const struct criterion_table *t)
{
    json_t *out = json_pack("{s:I, s:o, s:o}", "pixels", (json_int_t)t->n, "median",
                            describe_real(t->median), "sum", describe_real(t->sum));
    for (int i = 0; i < CRITERION_BAND_COUNT; i++)
        json_object_set_new(out, criterion_band_names[i], json_integer((json_int_t)t->band[i]));
    return out;
}

static json_t *criterion_json(const struct comparison *c)
{
    if (*c->no_criterion) return json_pack("{s:s}", "not_given", c->no_criterion);
    return json_pack("{s:i, s:i, s:o, s:o, s:I, s:s}", "unknowns_a", c->a.unknowns, "unknowns_b",
                     c->b.unknowns, "aicc", table_json(&c->aicc_table), "bic",
                     table_json(&c->bic_table), "left_out", (json_int_t)c->unlike, "caution",
                     comparison_caution);
}

static json_t *flags_json(const struct comparison *c)
{
    json_t *out = json_object();
    for (int f = 0; f < FLAG_COUNT; f++) {
        const struct compared_flag *x = &c->flag[f];
        if (x->gained || x->lost || x->both)
            json_object_set_new(out, flag_rows[f].name,
                                json_pack("{s:I, s:I, s:I}", "gained", (json_int_t)x->gained,
                                          "lost", (json_int_t)x->lost, "both",
                                          (json_int_t)x->both));
    }
    return out;
}

static json_t *states_json(const struct comparison *c)
{
    json_t *out = json_object();
    for (int a = 0; a < STATE_COUNT; a++) {
        json_t *row = json_object();
        for (int b = 0; b < STATE_COUNT; b++)
            if (c->state[a][b])
                json_object_set_new(row, state_rows[b].name,
                                    json_integer((json_int_t)c->state[a][b]));
        json_object_set_new(out, state_rows[a].name, row);
    }
    return out;
}

static json_t *file_json(const struct maps_view *v)
{
    return json_pack("{s:o, s:s, s:s, s:o}", "path", describe_text(v->path), "model", v->model,
                     "segment", v->segment, "input_digest", describe_text(v->summary.digest));
}

json_t *comparison_json(const struct comparison *c)
{
    json_t *maps = json_object();
    for (int i = 0; i < MAP_COUNT; i++) {
        char label[64];
        map_label(i, label);
        if (c->wanted[i] && c->map[i].there)
            json_object_set_new(maps, label, map_json(c, (enum map_id)i));
    }
    return json_pack(
        "{s:o, s:o, s:o, s:I, s:I, s:I, s:o, s:o, s:o, s:o, s:O, s:O}", "a", file_json(&c->a), "b",
        file_json(&c->b), "same_curves", c->known_input ? json_boolean(c->same_input) : json_null(),
        "pixels", (json_int_t)c->n, "compared", (json_int_t)c->used, "copied",
        (json_int_t)c->copied, "maps", maps, "flags", flags_json(c), "states", states_json(c),
        "criterion", criterion_json(c), "recipe", c->recipe, "values_used", c->used_values);
}
