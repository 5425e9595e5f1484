/* A comparison as figures and as planes. */
#include "command/comparison.h"

#include "base/units.h"
#include "figure/figure.h"
#include "maps/difference_file.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* --- figures --- */

/* One plot after Bland and Altman: difference over mean, or ratio over geometric mean. */
struct plot {
    double *mean, *difference;
    size_t n;
    double end[2], line[3][2];
    char x_label[120], y_label[120], title[160];
    struct figure_series series[4];
};

static void plot_free(struct plot *p)
{
    free(p->mean);
    free(p->difference);
}

static void set_line(struct plot *p, int i, double at, const char *name)
{
    p->line[i][0] = p->line[i][1] = at;
    p->series[1 + i] = (struct figure_series){
        .name = name, .x = p->end, .y = p->line[i], .n = 2, .style = i == 0 ? 1 : 2, .colour = 1};
}

static void set_points(struct plot *p, const struct comparison *c, bool ratios, double factor)
{
    p->end[0] = INFINITY, p->end[1] = -INFINITY;
    for (size_t i = 0; i < c->n; i++) {
        double a = c->va[i], b = c->vb[i];
        if (!c->use[i] || !isfinite(a) || !isfinite(b) || (ratios && !(a > 0 && b > 0))) continue;
        p->mean[p->n] = ratios ? log10(factor * sqrt(a * b)) : factor * 0.5 * (a + b);
        p->difference[p->n] = ratios ? b / a : factor * (b - a);
        p->end[0] = fmin(p->end[0], p->mean[p->n]);
        p->end[1] = fmax(p->end[1], p->mean[p->n++]);
    }
    p->series[0] = (struct figure_series){.x = p->mean, .y = p->difference, .n = p->n};
}

static enum status make_plot(struct comparison *c, enum map_id id, struct plot *p,
                             struct report *rep)
{
    const struct compared_map *m = &c->map[id];
    const bool ratios = m->ratios && m->logs.n > 1;
    const char *unit = c->a.unit[id];
    double factor = 1;
    *p = (struct plot){.mean = malloc(c->n * sizeof(double)),
                       .difference = malloc(c->n * sizeof(double))};
    if (!p->mean || !p->difference) return fail(rep, ST_MEMORY, "no memory for a figure");
    enum status st = comparison_load(c, id, rep);
    if (st == ST_OK) st = units_from_si(map_rows[id].si_unit, unit, &factor, rep);
    if (st != ST_OK) return st;
    set_points(p, c, ratios, factor);
    const struct agreement *g = ratios ? &m->logs : &m->plain;
    double by = ratios ? 1 : factor;
    set_line(p, 0, ratios ? exp(g->bias) : by * g->bias, "bias");
    set_line(p, 1, ratios ? exp(g->low) : by * g->low, "95 % limits of agreement");
    set_line(p, 2, ratios ? exp(g->high) : by * g->high, NULL);
    map_words(&c->a.extent, (int)id, p->title);
    if (ratios) {
        snprintf(p->x_label, sizeof p->x_label, "log10 of the geometric mean of A and B (%s)",
                 unit);
        snprintf(p->y_label, sizeof p->y_label, "B / A");
    } else {
        snprintf(p->x_label, sizeof p->x_label, "mean of A and B (%s)", unit);
        snprintf(p->y_label, sizeof p->y_label, "B less A (%s)", unit);
    }
    return ST_OK;
}

enum { PANELS_MOST = 3 };

/* The first wanted maps that differ and have numbers. */
static size_t choose(const struct comparison *c, enum map_id out[PANELS_MOST])
{
    size_t n = 0;
    for (int i = 0; i < MAP_COUNT && n < PANELS_MOST; i++)
        if (c->shown[i] && c->map[i].there && !c->map[i].same && c->map[i].plain.n > 1)
            out[n++] = (enum map_id)i;
    return n;
}

static enum status draw_plots(struct comparison *c, const enum map_id *ids, size_t n,
                              const char *path, struct report *rep)
{
    struct plot plot[PANELS_MOST] = {{.mean = NULL}};
    struct figure_panel panel[PANELS_MOST];
    char text[1500];
    enum status st = ST_OK;
    snprintf(text, sizeof text, "A  %.200s\nB  %.200s\n%zu pixels\n", c->a.path, c->b.path,
             c->used);
    for (size_t i = 0; i < n && st == ST_OK; i++) {
        st = make_plot(c, ids[i], &plot[i], rep);
        panel[i] = (struct figure_panel){plot[i].title, plot[i].x_label, plot[i].y_label,
                                         plot[i].series, 4};
    }
    if (st == ST_OK) st = figure_panels("agreement of two map files", panel, n, text, path, rep);
    for (size_t i = 0; i < n; i++)
        plot_free(&plot[i]);
    return st;
}

static void difference_of(const struct comparison *c, bool ratio, double factor, double *out)
{
    for (size_t i = 0; i < c->n; i++) {
        double a = c->va[i], b = c->vb[i];
        out[i] = !c->use[i] ? (double)NAN : ratio ? b / a : factor * (b - a);
        if (!isfinite(out[i])) out[i] = NAN;
    }
}

/* A colour range about zero, as wide as 98 % of the values need. */
static double reach(const double *value, size_t n, double *scratch)
{
    size_t kept = 0;
    for (size_t i = 0; i < n; i++)
        if (isfinite(value[i])) scratch[kept++] = fabs(value[i]);
    struct criterion_table unused; /* sorts */
    criterion_count(scratch, kept, scratch, &unused);
    return kept ? scratch[(size_t)(0.98 * (double)(kept - 1))] : 1;
}

struct picture {
    struct figure_map map;
    double *value;
    char words[200];
};

static void picture_range(struct picture *p, const struct comparison *c)
{
    double most = reach(p->value, c->n, c->ua);
    p->map.low = most > 0 ? -most : NAN;
    p->map.high = most > 0 ? most : NAN;
}

static enum status make_picture(const struct comparison *c, const char *si_unit, struct picture *p,
                                struct report *rep)
{
    p->value = malloc(c->n * sizeof *p->value);
    if (!p->value) return fail(rep, ST_MEMORY, "no memory for a figure");
    p->map = (struct figure_map){.title = p->words,
                                 .label = p->words,
                                 .si_unit = si_unit,
                                 .ny = c->a.ny,
                                 .nx = c->a.nx,
                                 .x_m = c->a.x_m,
                                 .y_m = c->a.y_m,
                                 .value = p->value,
                                 .low = NAN,
                                 .high = NAN};
    return ST_OK;
}

static enum status draw_maps(struct comparison *c, const enum map_id *ids, size_t n,
                             const char *path, struct report *rep)
{
    struct picture picture[PANELS_MOST + 1] = {{.value = NULL}};
    struct figure_map map[PANELS_MOST + 1];
    enum status st = ST_OK;
    size_t drawn = 0;
    for (; drawn < n && st == ST_OK; drawn++) {
        struct picture *p = &picture[drawn];
        st = make_picture(c, map_rows[ids[drawn]].si_unit, p, rep);
        if (st == ST_OK) st = comparison_load(c, ids[drawn], rep);
        if (st != ST_OK) break;
        bool ratio = c->map[ids[drawn]].ratios;
        difference_of(c, ratio, 1, p->value);
        char words[160];
        map_words(&c->a.extent, (int)ids[drawn], words);
        snprintf(p->words, sizeof p->words, "%s, B %s A", words, ratio ? "over" : "less");
        if (ratio) p->map.si_unit = "1";
        p->map.log_scale = ratio;
        if (!ratio) picture_range(p, c);
    }
    if (st == ST_OK && c->aicc_table.n > 0) {
        struct picture *p = &picture[drawn];
        st = make_picture(c, "1", p, rep);
        if (st == ST_OK) {
            memcpy(p->value, c->aicc, c->n * sizeof *p->value);
            snprintf(p->words, sizeof p->words, "AICc, B less A (below 0: B)");
            picture_range(p, c);
            drawn++;
        }
    }
    for (size_t i = 0; i < drawn; i++)
        map[i] = picture[i].map;
    if (st == ST_OK) st = figure_maps("where two map files differ", map, drawn, 0, path, rep);
    for (size_t i = 0; i <= PANELS_MOST; i++)
        free(picture[i].value);
    return st;
}

/* FIGURE.png -> FIGURE-maps.png */
static enum status maps_name(const char *path, char out[4096], struct report *rep)
{
    const char *dot = strrchr(path, '.'), *slash = strrchr(path, '/');
    if (!dot || (slash && dot < slash)) dot = path + strlen(path);
    int used = snprintf(out, 4096, "%.*s-maps%s", (int)(dot - path), path, dot);
    return used > 0 && used < 4096 ? ST_OK : fail(rep, ST_USAGE, "the name is too long");
}

enum status comparison_figures(struct comparison *c, const char *path, char maps_path[4096],
                               struct report *rep)
{
    enum map_id ids[PANELS_MOST];
    size_t n = choose(c, ids);
    if (n == 0)
        return fail(rep, ST_INPUT,
                    "no map differs in more than one pixel, so there is nothing to draw");
    enum status st = maps_name(path, maps_path, rep);
    if (st == ST_OK) st = draw_plots(c, ids, n, path, rep);
    return st == ST_OK ? draw_maps(c, ids, n, maps_path, rep) : st;
}

/* --- planes --- */

struct planes {
    struct difference_plane *plane;
    double **value; /* owned */
    size_t n;
};

static enum status add(struct planes *all, const struct comparison *c, struct report *rep)
{
    double *value = malloc(c->n * sizeof *value);
    if (!value) return fail(rep, ST_MEMORY, "no memory for a map of %zu pixels", c->n);
    all->value[all->n] = value;
    all->plane[all->n++].value = value;
    return ST_OK;
}

static enum status add_map(struct planes *all, struct comparison *c, enum map_id id,
                           struct report *rep)
{
    double factor = 1;
    enum status st = comparison_load(c, id, rep);
    if (st == ST_OK) st = units_from_si(map_rows[id].si_unit, c->a.unit[id], &factor, rep);
    for (int ratio = 0; ratio < 2 && st == ST_OK; ratio++) {
        struct difference_plane *p = &all->plane[all->n];
        if ((st = add(all, c, rep)) != ST_OK) break;
        char label[64], words[160];
        map_label((int)id, label);
        map_words(&c->a.extent, (int)id, words);
        for (char *colon = label; (colon = strchr(colon, ':'));)
            *colon = '_';
        snprintf(p->name, sizeof p->name, "%s_%s", label, ratio ? "ratio" : "difference");
        snprintf(p->unit, sizeof p->unit, "%s", ratio ? "1" : c->a.unit[id]);
        snprintf(p->words, sizeof p->words, "%s, %s", words, ratio ? "B over A" : "B less A");
        difference_of(c, ratio, factor, all->value[all->n - 1]);
    }
    return st;
}

static enum status add_criterion(struct planes *all, const struct comparison *c, const char *name,
                                 const char *words, const double *value, struct report *rep)
{
    struct difference_plane *p = &all->plane[all->n];
    enum status st = add(all, c, rep);
    if (st != ST_OK) return st;
    snprintf(p->name, sizeof p->name, "%s_difference", name);
    snprintf(p->unit, sizeof p->unit, "1");
    snprintf(p->words, sizeof p->words, "%s, B less A: below zero B is better", words);
    memcpy(all->value[all->n - 1], value, c->n * sizeof *value);
    return ST_OK;
}

static enum status fill_planes(struct planes *all, struct comparison *c, struct report *rep)
{
    struct progress line;
    enum status st = ST_OK;
    progress_begin(&line, c->progress, "maps of differences", MAP_COUNT);
    for (int i = 0; i < MAP_COUNT && st == ST_OK; i++) {
        if (c->wanted[i] && c->map[i].there) st = add_map(all, c, (enum map_id)i, rep);
        progress_show(&line, (uint64_t)i + 1);
    }
    progress_end(&line);
    if (st == ST_OK && !*c->no_criterion) {
        st = add_criterion(all, c, "aicc", "AICc", c->aicc, rep);
        if (st == ST_OK) st = add_criterion(all, c, "bic", "BIC", c->bic, rep);
    }
    return st;
}

enum status comparison_write(struct comparison *c, const char *path, bool overwrite,
                             struct report *rep)
{
    const size_t most = 2 * MAP_COUNT + 2;
    struct planes all = {calloc(most, sizeof *all.plane), calloc(most, sizeof *all.value), 0};
    json_t *json = comparison_json(c);
    char *record = json ? json_dumps(json, JSON_INDENT(1)) : NULL;
    enum status st = all.plane && all.value && record
                         ? ST_OK
                         : fail(rep, ST_MEMORY, "no memory for the maps of differences");
    if (st == ST_OK) st = fill_planes(&all, c, rep);
    if (st == ST_OK) {
        const struct difference_file f = {.path = path,
                                          .title = "differences of two map files, B less A",
                                          .group = "comparison",
                                          .record = record,
                                          .input = {c->a.path, c->b.path},
                                          .ny = c->a.ny,
                                          .nx = c->a.nx,
                                          .x_m = c->a.x_m,
                                          .y_m = c->a.y_m,
                                          .plane = all.plane,
                                          .n = all.n,
                                          .overwrite = overwrite};
        st = difference_file_write(&f, rep);
    }
    for (size_t i = 0; i < all.n; i++)
        free(all.value[i]);
    free(all.plane);
    free(all.value);
    free(record);
    json_decref(json);
    return st;
}
