/* Figures of a study, and the page that holds all its results: plain HTML without scripts. */
#include "base/base64.h"
#include "base/units.h"
#include "figure/figure.h"
#include "study/table.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static enum status picture_path(const struct study *s, size_t map, char out[4096],
                                struct report *rep)
{
    int n = snprintf(out, 4096, "%s/study-%s.png", s->folder, map_rows[s->map[map]].name);
    return n > 0 && n < 4096 ? ST_OK
                             : fail(rep, ST_OUTPUT, "%s: the folder's name is too long", s->folder);
}

static enum status draw_map(const struct study *s, const struct study_table *t, size_t map,
                            struct report *rep)
{
    const struct study_map *m = &t->map[map];
    const struct map_row *row = &map_rows[s->map[map]];
    char path[4096];
    struct figure_group *group = calloc(s->conditions, sizeof *group);
    char(*note)[64] = calloc(s->conditions, sizeof *note);
    double *value = malloc((m->cells + 1) * sizeof *value);
    enum status st = group && note && value
                         ? ST_OK
                         : fail(rep, ST_MEMORY, "not enough memory for a figure");
    for (size_t i = 0; i < m->cells && st == ST_OK; i++)
        value[i] = m->cell[i].value;
    for (size_t c = 0, at = 0; c < s->conditions && st == ST_OK;
         c++) { /* cells stand by condition */
        const struct nested_group *g = &m->group[c];
        snprintf(note[c], sizeof *note, "%zu cells, %zu sample%s", g->cells, g->samples,
                 g->samples == 1 ? "" : "s");
        group[c] = (struct figure_group){s->condition[c], note[c], value + at, g->cells,
                                         g->median,       g->low,  g->high};
        at += g->cells;
    }
    if (st == ST_OK) st = picture_path(s, map, path, rep);
    if (st == ST_OK)
        st = figure_groups(s->title, row->words, row->si_unit, m->ratio, group, s->conditions, path,
                           rep);
    free(group);
    free(note);
    free(value);
    return st;
}

enum status study_draw(const struct study *s, const struct study_table *t, struct report *rep)
{
    enum status st = ST_OK;
    for (size_t m = 0; m < s->n_maps && st == ST_OK; m++)
        if (t->map[m].cells > 0) st = draw_map(s, t, m, rep);
    return st;
}

/* --- HTML --- */

static void put(FILE *out, const char *text)
{
    for (; *text; text++)
        switch (*text) {
        case '<':
            fputs("&lt;", out);
            break;
        case '>':
            fputs("&gt;", out);
            break;
        case '&':
            fputs("&amp;", out);
            break;
        case '"':
            fputs("&quot;", out);
            break;
        default:
            fputc(*text, out);
        }
}

static void put_cell(FILE *out, const char *text)
{
    fputs("<td>", out);
    put(out, text);
    fputs("</td>", out);
}

static void put_value(FILE *out, double value, double low, double high, const char *unit)
{
    char text[3][48];
    const double numbers[3] = {value, low, high};
    for (int k = 0; k < 3; k++)
        units_show(numbers[k], unit, 4, text[k], sizeof text[k]);
    fputs("<td class=n>", out);
    if (isnan(value))
        fputs("not known", out);
    else
        put(out, text[0]);
    fputs("</td><td class=n>", out);
    if (isnan(low))
        fputs("too few cells", out);
    else
        fprintf(out, "%s to %s", text[1], text[2]);
    fputs("</td>", out);
}

static const char *const head =
    "<!DOCTYPE html>\n<html lang=en><head><meta charset=utf-8>\n"
    "<meta name=viewport content='width=device-width'>\n<style>\n"
    "body{font:16px/1.45 sans-serif;max-width:60em;margin:2em auto;padding:0 1em;color:#111}\n"
    "table{border-collapse:collapse;margin:1em 0}td,th{border-bottom:1px solid #bbb;padding:.25em "
    ".7em;"
    "text-align:left}td.n{text-align:right;white-space:nowrap}\n"
    "img{max-width:100%;width:32em}.warn{border-left:4px solid #d55e00;padding-left:.8em}\n"
    "@media "
    "print{body{max-width:none;margin:0}h2{break-after:avoid}table,img{break-inside:avoid}}\n"
    "</style>\n";

static void put_problems(FILE *out, const struct study *s, const struct study_table *t)
{
    size_t changed = 0;
    for (size_t i = 0; i < s->n; i++)
        changed += t->row[i].tip_changes > 0;
    if (t->volumes < s->n) {
        fprintf(out,
                "<div class=warn><p>%zu of %zu volumes have no results and are in no number "
                "below:</p><ul>\n",
                s->n - t->volumes, s->n);
        for (size_t i = 0; i < s->n; i++) {
            if (t->row[i].there) continue;
            fputs("<li>", out);
            put(out, s->volume[i].volume);
            fputs(": ", out);
            put(out, t->row[i].why);
            fputs("</li>\n", out);
        }
        fputs("</ul></div>\n", out);
    }
    if (changed)
        fprintf(out,
                "<p class=warn>In %zu volume%s the tip seems to have changed during the scan "
                "(column tip changes "
                "below); all their pixels are in the numbers.</p>\n",
                changed, changed == 1 ? "" : "s");
}

static void put_groups(FILE *out, const struct study *s, const struct study_map *m,
                       const char *unit)
{
    fputs("<table><tr><th>condition<th>samples<th>cells<th>median<th>95 % interval</tr>\n", out);
    for (size_t c = 0; c < s->conditions; c++) {
        const struct nested_group *g = &m->group[c];
        fputs("<tr>", out);
        put_cell(out, s->condition[c]);
        fprintf(out, "<td class=n>%zu</td><td class=n>%zu</td>", g->samples, g->cells);
        put_value(out, g->median, g->low, g->high, unit);
        fputs("</tr>\n", out);
    }
    fputs("</table>\n", out);
}

static void put_pairs(FILE *out, const struct study *s, const struct study_table *t,
                      const struct study_map *m, const char *unit)
{
    if (t->pairs == 0) return;
    fputs("<table><tr><th>comparison<th>effect<th>95 % interval<th>units ranked<th>p<th>p "
          "(Holm)<th>smallest possible p</tr>\n",
          out);
    for (size_t i = 0; i < t->pairs; i++) {
        const struct nested_difference *d = &m->difference[i];
        size_t first, second;
        study_pair(s, i, &first, &second);
        fputs("<tr><td>", out);
        put(out, s->condition[second]);
        fputs(m->ratio ? " over " : " less ", out);
        put(out, s->condition[first]);
        fputs("</td>", out);
        put_value(out, d->effect, d->low, d->high, m->ratio ? "1" : unit);
        fprintf(out, "<td>%zu and %zu %ss</td>", d->n[0], d->n[1],
                d->by_samples ? "sample" : "cell");
        if (isnan(d->p))
            fputs("<td>none<td><td></tr>\n", out);
        else
            fprintf(out, "<td class=n>%.3g</td><td class=n>%.3g</td><td class=n>%.3g</td></tr>\n",
                    d->p, m->holm_p[i], d->least_p);
    }
    fputs("</table>\n", out);
}

/* The picture itself, so that the page can be copied to another machine alone. */
static enum status put_picture(FILE *out, const struct study *s, size_t map, struct report *rep)
{
    unsigned char piece[4096];
    char path[4096];
    struct base64 text = {.out = out};
    enum status st = picture_path(s, map, path, rep);
    FILE *picture = st == ST_OK ? fopen(path, "rbe") : NULL;
    if (st == ST_OK && !picture)
        st = fail(rep, ST_OUTPUT, "%s: cannot be read back: %s", path, strerror(errno));
    if (!picture) return st;
    fputs("<p><img src='data:image/png;base64,", out);
    for (size_t n; (n = fread(piece, 1, sizeof piece, picture)) > 0;)
        base64_put(&text, piece, n);
    base64_end(&text);
    fprintf(out, "' alt='%s of each cell, by condition'></p>\n", map_rows[s->map[map]].words);
    if (ferror(picture)) st = fail(rep, ST_OUTPUT, "%s: cannot be read back", path);
    fclose(picture);
    return st;
}

static enum status put_map(FILE *out, const struct study *s, const struct study_table *t,
                           size_t map, struct report *rep)
{
    const struct map_row *row = &map_rows[s->map[map]];
    fputs("<h2>", out);
    put(out, row->words);
    fputs("</h2>\n", out);
    enum status st = t->map[map].cells > 0 ? put_picture(out, s, map, rep) : ST_OK;
    put_groups(out, s, &t->map[map], row->si_unit);
    put_pairs(out, s, t, &t->map[map], row->si_unit);
    return st;
}

static void put_volumes(FILE *out, const struct study *s, const struct study_table *t)
{
    fputs("<h2>Volumes</h2>\n<table><tr><th>condition<th>sample<th>cell<th>volume<th>accepted"
          "<th>doubtful<th>rejected<th>tip changes",
          out);
    for (size_t m = 0; m < s->n_maps; m++)
        fprintf(out, "<th>%s", map_rows[s->map[m]].words);
    fputs("</tr>\n", out);
    for (size_t i = 0; i < s->n; i++) {
        const struct study_volume *v = &s->volume[i];
        const struct study_row *row = &t->row[i];
        fputs("<tr>", out);
        put_cell(out, v->condition_name);
        put_cell(out, v->sample_name);
        put_cell(out, v->cell_name);
        put_cell(out, v->volume);
        if (row->there)
            fprintf(
                out,
                "<td class=n>%zu</td><td class=n>%zu</td><td class=n>%zu</td><td class=n>%zu</td>",
                row->state[STATE_accepted], row->state[STATE_doubtful], row->state[STATE_rejected],
                row->tip_changes);
        else
            fputs("<td colspan=4>no results</td>", out);
        for (size_t m = 0; m < s->n_maps; m++) {
            char text[48] = "";
            if (row->there && row->map[m].n > 0)
                units_show(row->map[m].median, map_rows[s->map[m]].si_unit, 4, text, sizeof text);
            fprintf(out, "<td class=n>%s</td>", text);
        }
        fputs("</tr>\n", out);
    }
    fputs("</table>\n", out);
}

static const char *const how = "<h2>How to read this</h2>\n"
                               "<p>A volume counts with the median of its accepted and doubtful "
                               "pixels, a cell with the median of its volumes, "
                               "a sample with that of its cells, a condition with that of its "
                               "samples. Pixels of one cell are many measurements "
                               "of one thing, so they are never counted as repeats (S. E. Lazic, "
                               "BMC Neuroscience 11:5, 2010). Intervals come "
                               "from a bootstrap that draws samples, then cells within them; with "
                               "few cells they are too narrow (docs/study.md "
                               "says by how much). The p value is that of a rank test over cells, "
                               "or over samples where each condition has at "
                               "least four; cells of one sample may resemble each other, which a "
                               "test over cells does not know. With few units "
                               "no small p can come out: the last column says which is the "
                               "smallest. Calibration errors that all volumes share "
                               "are in none of these numbers.</p>\n";

enum status study_write_page(const struct study *s, const struct study_table *t, struct report *rep)
{
    struct study_file f;
    enum status st = study_open(s, "study.html", &f, rep);
    if (st != ST_OK) return st;
    FILE *out = f.out;
    fputs(head, out);
    fputs("<title>", out);
    put(out, s->title);
    fputs("</title></head><body>\n<h1>", out);
    put(out, s->title);
    fprintf(out, "</h1>\n<p>%zu volumes, %zu conditions. Study file: ", s->n, s->conditions);
    put(out, s->path);
    fputs("; recipe: ", out);
    put(out, s->recipe);
    fputs(".</p>\n", out);
    put_problems(out, s, t);
    for (size_t m = 0; m < s->n_maps && st == ST_OK; m++)
        st = put_map(out, s, t, m, rep);
    put_volumes(out, s, t);
    fputs(how, out);
    fputs("</body></html>\n", out);
    return study_close(&f, st, rep);
}
