/* The table of a study as CSV, JSON and text. */
#include "base/units.h"
#include "study/table.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

/* RFC 4180: quotes around everything that could be taken for structure, quotes inside doubled. */
static void put_cell(FILE *out, const char *text, char end)
{
    if (strpbrk(text, ",\"\r\n")) {
        fputc('"', out);
        for (; *text; text++)
            fprintf(out, *text == '"' ? "\"\"" : "%c", *text);
        fputc('"', out);
    } else {
        fputs(text, out);
    }
    fputc(end, out);
}

static void put_real(FILE *out, double value)
{
    if (isfinite(value))
        fprintf(out, ",%.9g", value);
    else
        fputc(',', out); /* an empty cell: not known */
}

static void put_head(FILE *out, const struct study *s)
{
    fputs("condition,sample,cell,volume,maps", out);
    for (int i = STATE_accepted; i < STATE_COUNT; i++)
        fprintf(out, ",%s", state_rows[i].name);
    fputs(",tip_changes", out);
    for (size_t m = 0; m < s->n_maps; m++) {
        const struct map_row *row = &map_rows[s->map[m]];
        fprintf(out, ",%s_pixels", row->name);
        for (int k = 0; k < 3; k++) {
            static const char *const parts[] = {"median", "q25", "q75"};
            fprintf(out, ",%s_%s%s%s%s", row->name, parts[k], strcmp(row->si_unit, "1") ? " (" : "",
                    strcmp(row->si_unit, "1") ? row->si_unit : "",
                    strcmp(row->si_unit, "1") ? ")" : "");
        }
    }
    fputc('\n', out);
}

static void put_row(FILE *out, const struct study *s, const struct study_volume *v,
                    const struct study_row *row)
{
    put_cell(out, v->condition_name, ',');
    put_cell(out, v->sample_name, ',');
    put_cell(out, v->cell_name, ',');
    put_cell(out, v->volume, ',');
    put_cell(out, v->maps, ',');
    for (int i = STATE_accepted; i < STATE_COUNT; i++) {
        if (row->there) fprintf(out, "%zu", row->state[i]);
        fputc(',', out);
    }
    if (row->there) fprintf(out, "%zu", row->tip_changes);
    for (size_t m = 0; m < s->n_maps; m++) {
        fputc(',', out);
        if (row->there) fprintf(out, "%zu", row->map[m].n);
        put_real(out, row->there ? row->map[m].median : (double)NAN);
        put_real(out, row->there ? row->map[m].q25 : (double)NAN);
        put_real(out, row->there ? row->map[m].q75 : (double)NAN);
    }
    fputc('\n', out);
}

enum status study_write_csv(const struct study *s, const struct study_table *t, struct report *rep)
{
    struct study_file f;
    enum status st = study_open(s, "study.csv", &f, rep);
    if (st != ST_OK) return st;
    put_head(f.out, s);
    for (size_t i = 0; i < s->n; i++)
        put_row(f.out, s, &s->volume[i], &t->row[i]);
    return study_close(&f, ST_OK, rep);
}

/* --- JSON --- */

static json_t *real(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

/* Names of files need not be UTF-8; JSON must. */
static json_t *text(const char *value)
{
    json_t *out = json_string(value);
    return out ? out : json_string("(a name that is not UTF-8)");
}

static json_t *volumes_json(const struct study *s, const struct study_table *t)
{
    json_t *all = json_array();
    for (size_t i = 0; i < s->n; i++) {
        const struct study_volume *v = &s->volume[i];
        const struct study_row *row = &t->row[i];
        json_t *one = json_pack("{s:o, s:o, s:o, s:o, s:o, s:b}", "volume", text(v->volume), "maps",
                                text(v->maps), "condition", text(v->condition_name), "sample",
                                text(v->sample_name), "cell", text(v->cell_name), "finished",
                                row->there);
        if (!row->there) json_object_set_new(one, "why", text(row->why));
        for (int k = STATE_accepted; k < STATE_COUNT && row->there; k++)
            json_object_set_new(one, state_rows[k].name, json_integer((json_int_t)row->state[k]));
        if (row->there)
            json_object_set_new(one, "tip_changes", json_integer((json_int_t)row->tip_changes));
        for (size_t m = 0; m < s->n_maps && row->there; m++)
            json_object_set_new(one, map_rows[s->map[m]].name,
                                json_pack("{s:I, s:o, s:o, s:o}", "pixels",
                                          (json_int_t)row->map[m].n, "median",
                                          real(row->map[m].median), "q25", real(row->map[m].q25),
                                          "q75", real(row->map[m].q75)));
        json_array_append_new(all, one);
    }
    return all;
}

static json_t *groups_json(const struct study *s, const struct study_map *m)
{
    json_t *all = json_array();
    for (size_t c = 0; c < s->conditions; c++) {
        const struct nested_group *g = &m->group[c];
        json_array_append_new(
            all, json_pack("{s:o, s:I, s:I, s:o, s:o, s:o}", "condition", text(s->condition[c]),
                           "samples", (json_int_t)g->samples, "cells", (json_int_t)g->cells,
                           "median", real(g->median), "low", real(g->low), "high", real(g->high)));
    }
    return all;
}

static json_t *pairs_json(const struct study *s, const struct study_table *t,
                          const struct study_map *m)
{
    json_t *all = json_array();
    for (size_t i = 0; i < t->pairs; i++) {
        const struct nested_difference *d = &m->difference[i];
        size_t first, second;
        study_pair(s, i, &first, &second);
        json_array_append_new(
            all, json_pack("{s:o, s:o, s:s, s:o, s:o, s:o, s:s, s:[I, I], s:o, s:o, s:o}", "first",
                           text(s->condition[first]), "second", text(s->condition[second]),
                           "effect_is", m->ratio ? "second over first" : "second less first",
                           "effect", real(d->effect), "low", real(d->low), "high", real(d->high),
                           "unit", d->by_samples ? "sample" : "cell", "n", (json_int_t)d->n[0],
                           (json_int_t)d->n[1], "p_value", real(d->p), "p_value_holm",
                           real(m->holm_p[i]), "smallest_possible_p_value", real(d->least_p)));
    }
    return all;
}

enum status study_print_json(FILE *out, const struct study *s, const struct study_table *t,
                             struct report *rep)
{
    json_t *maps = json_object();
    for (size_t m = 0; m < s->n_maps; m++)
        json_object_set_new(maps, map_rows[s->map[m]].name,
                            json_pack("{s:s, s:o, s:o}", "unit", map_rows[s->map[m]].si_unit,
                                      "conditions", groups_json(s, &t->map[m]), "comparisons",
                                      pairs_json(s, t, &t->map[m])));
    json_t *all = json_pack("{s:o, s:o, s:o, s:o}", "title", text(s->title), "study", text(s->path),
                            "volumes", volumes_json(s, t), "maps", maps);
    if (!all) return fail(rep, ST_MEMORY, "not enough memory for study.json");
    json_dumpf(all, out, JSON_INDENT(2) | JSON_REAL_PRECISION(12));
    fputc('\n', out);
    json_decref(all);
    return ST_OK;
}

enum status study_write_json(const struct study *s, const struct study_table *t, struct report *rep)
{
    struct study_file f;
    enum status st = study_open(s, "study.json", &f, rep);
    return st == ST_OK ? study_close(&f, study_print_json(f.out, s, t, rep), rep) : st;
}

/* --- text --- */

static void print_map(FILE *out, const struct study *s, const struct study_table *t, size_t map)
{
    const struct study_map *m = &t->map[map];
    const struct map_row *row = &map_rows[s->map[map]];
    fprintf(out, "\n%s: median over cells in samples, 95 %% interval\n", row->words);
    for (size_t c = 0; c < s->conditions; c++) {
        const struct nested_group *g = &m->group[c];
        char value[3][48];
        const double numbers[3] = {g->median, g->low, g->high};
        for (int k = 0; k < 3; k++)
            units_show(numbers[k], row->si_unit, 4, value[k], sizeof value[k]);
        fprintf(out, "  %-20s %zu sample%s, %zu cell%s: ", s->condition[c], g->samples,
                g->samples == 1 ? "" : "s", g->cells, g->cells == 1 ? "" : "s");
        if (g->cells == 0)
            fprintf(out, "no value\n");
        else if (isnan(g->low))
            fprintf(out, "%s (too few cells for an interval)\n", value[0]);
        else
            fprintf(out, "%s [%s, %s]\n", value[0], value[1], value[2]);
    }
    for (size_t i = 0; i < t->pairs; i++) {
        const struct nested_difference *d = &m->difference[i];
        char effect[160], value[3][48];
        const double numbers[3] = {d->effect, d->low, d->high};
        size_t first, second;
        study_pair(s, i, &first, &second);
        for (int k = 0; k < 3; k++)
            units_show(numbers[k], m->ratio ? "1" : row->si_unit, 3, value[k], sizeof value[k]);
        if (isnan(d->low))
            snprintf(effect, sizeof effect, "%s", isnan(d->effect) ? "not known" : value[0]);
        else
            snprintf(effect, sizeof effect, "%s [%s, %s]", value[0], value[1], value[2]);
        fprintf(out, "  %s %s %s: %s", s->condition[second], m->ratio ? "over" : "less",
                s->condition[first], effect);
        if (!isnan(d->p))
            fprintf(out, ", p %.2g (rank test, %zu and %zu %ss; Holm %.2g; smallest possible %.2g)",
                    d->p, d->n[0], d->n[1], d->by_samples ? "sample" : "cell", m->holm_p[i],
                    d->least_p);
        fputc('\n', out);
    }
}

void study_print(FILE *out, const struct study *s, const struct study_table *t)
{
    for (size_t m = 0; m < s->n_maps; m++)
        print_map(out, s, t, m);
}
