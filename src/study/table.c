#include "study/table.h"

#include "maps/maps.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void copy_row(const struct study *s, const struct maps_view *v, struct study_row *row)
{
    row->there = true;
    memcpy(row->state, v->summary.state, sizeof row->state);
    row->tip_changes = v->summary.tip.n;
    for (size_t m = 0; m < s->n_maps; m++) {
        row->map[m].n = v->summary.map[s->map[m]].n;
        row->map[m].median = v->summary.map[s->map[m]].median;
        row->map[m].q25 = v->summary.map[s->map[m]].q25;
        row->map[m].q75 = v->summary.map[s->map[m]].q75;
    }
}

static void read_row(const struct study *s, const struct study_volume *v, struct study_row *row)
{
    struct report rep;
    struct maps_view view;
    if (access(v->maps, F_OK) != 0) {
        snprintf(row->why, sizeof row->why, "there is no map file %.500s", v->maps);
        return;
    }
    if (maps_view_load(&view, v->maps, &rep) != ST_OK) {
        snprintf(row->why, sizeof row->why, "%.590s", rep.text);
        return;
    }
    if (view.summary.state[STATE_pending])
        snprintf(row->why, sizeof row->why, "%.500s is not finished", v->maps);
    else
        copy_row(s, &view, row);
    maps_view_free(&view);
}

void study_pair(const struct study *s, size_t pair, size_t *first, size_t *second)
{
    *first = 0;
    for (size_t left = s->conditions - 1; pair >= left; left--) {
        pair -= left;
        ++*first;
    }
    *second = *first + 1 + pair;
}

static enum status compare_all(const struct study *s, struct study_table *t, struct study_map *m,
                               struct report *rep)
{
    enum status st = ST_OK;
    enum { SEED = 1 };
    for (size_t c = 0; c < s->conditions && st == ST_OK; c++)
        st = nested_describe(m->cell, m->cells, c, NESTED_DRAWS, SEED, &m->group[c], rep);
    for (size_t i = 0; i < t->pairs && st == ST_OK; i++) {
        size_t first, second;
        study_pair(s, i, &first, &second);
        st = nested_compare(m->cell, m->cells, first, second, m->ratio, NESTED_DRAWS, SEED,
                            &m->difference[i], rep);
        m->holm_p[i] = m->difference[i].p;
    }
    nested_holm(m->holm_p, t->pairs);
    return st;
}

static enum status sum_up(const struct study *s, struct study_table *t, size_t map,
                          struct report *rep)
{
    struct study_map *m = &t->map[map];
    m->cell = calloc(s->n + 1, sizeof *m->cell);
    m->group = calloc(s->conditions + 1, sizeof *m->group);
    m->difference = calloc(t->pairs + 1, sizeof *m->difference);
    m->holm_p = calloc(t->pairs + 1, sizeof *m->holm_p);
    if (!m->cell || !m->group || !m->difference || !m->holm_p)
        return fail(rep, ST_MEMORY, "not enough memory for the study's table");
    m->ratio = map_rows[s->map[map]].scale == SCALE_LOG;
    for (size_t i = 0; i < s->n; i++) {
        const struct study_volume *v = &s->volume[i];
        double value = t->row[i].there ? t->row[i].map[map].median : (double)NAN;
        if (!isfinite(value) || (m->ratio && !(value > 0))) continue;
        m->cell[m->cells++] = (struct nested_value){v->condition, v->sample, v->cell, value};
    }
    m->cells = nested_cells(m->cell, m->cells);
    return compare_all(s, t, m, rep);
}

enum status study_collect(const struct study *s, const struct study_outcome *outcome,
                          struct study_table *out, struct report *rep)
{
    enum status st = ST_OK;
    *out = (struct study_table){.pairs = s->conditions * (s->conditions - 1) / 2};
    out->row = calloc(s->n + 1, sizeof *out->row);
    if (!out->row) return fail(rep, ST_MEMORY, "not enough memory for the study's table");
    for (size_t i = 0; i < s->n; i++) {
        if (outcome && outcome[i].fate == FATE_FAILED)
            memcpy(out->row[i].why, outcome[i].why, sizeof out->row[i].why);
        else
            read_row(s, &s->volume[i], &out->row[i]);
        out->volumes += out->row[i].there;
    }
    for (size_t m = 0; m < s->n_maps && st == ST_OK; m++)
        st = sum_up(s, out, m, rep);
    if (st != ST_OK) study_table_free(out);
    return st;
}

void study_table_free(struct study_table *t)
{
    for (size_t m = 0; m < STUDY_MAPS_MOST; m++) {
        free(t->map[m].cell);
        free(t->map[m].group);
        free(t->map[m].difference);
        free(t->map[m].holm_p);
    }
    free(t->row);
    *t = (struct study_table){0};
}

/* --- files --- */

enum status study_open(const struct study *s, const char *name, struct study_file *f,
                       struct report *rep)
{
    int n = snprintf(f->path, sizeof f->path, "%s/%s", s->folder, name);
    f->out = NULL;
    if (n < 0 || (size_t)n >= sizeof f->path)
        return fail(rep, ST_OUTPUT, "%s: the folder's name is too long", s->folder);
    enum status st = whole_begin(&f->whole, f->path, s->path, true, 0, rep);
    if (st != ST_OK) return st;
    st = whole_open(&f->whole, &f->out, rep);
    return st == ST_OK ? st : whole_finish(&f->whole, st, rep);
}

enum status study_close(struct study_file *f, enum status st, struct report *rep)
{
    struct report unused;
    enum status closed = whole_close(&f->whole, &f->out, st == ST_OK ? rep : &unused);
    return whole_finish(&f->whole, st == ST_OK ? closed : st, rep);
}
