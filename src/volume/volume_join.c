/* Do the parts agree, how large is the whole, and what does each pixel say? */
#include "volume/volume_join.h"
#include "base/progress.h"
#include "volume/volume_join_private.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* --- what the parts have in common --- */

static enum status differs(const struct joining *j, size_t part, const char *what,
                           struct report *rep)
{
    return fail(rep, ST_INPUT, "%s: differs from %s in %s; parts of one volume must agree in it",
                j->wish->path[part], j->wish->path[0], what);
}

static bool same(double a, double b)
{
    return a == b || (isnan(a) && isnan(b));
}

static bool same_samples(const struct samples *a, const struct samples *b)
{
    if ((a->set.id >= 0) != (b->set.id >= 0)) return false;
    if (a->set.id < 0) return true;
    return a->set.number == b->set.number && same(a->pack.a, b->pack.a) &&
           same(a->pack.b, b->pack.b) && same(a->pack.low, b->pack.low) &&
           same(a->pack.high, b->pack.high) && same(a->pack.gone[0], b->pack.gone[0]) &&
           same(a->pack.gone[1], b->pack.gone[1]) && a->pack.swap == b->pack.swap;
}

static enum status compare_segment(struct joining *j, size_t part, const struct volume *v,
                                   enum segment_id id, struct report *rep)
{
    const struct segment_facts *f = &v->facts.seg[id], *m = &j->model->facts.seg[id];
    const struct segment *seg = &v->seg[id], *first = &j->model->seg[id];
    if (f->there != m->there) return differs(j, part, "its segments", rep);
    if (!f->there) return ST_OK;
    if (f->stage != m->stage) return differs(j, part, "the stage of the signal", rep);
    if (f->z_sense != m->z_sense) return differs(j, part, "the direction of z", rep);
    if (f->z_kind != m->z_kind) return differs(j, part, "how z is stored", rep);
    if (!same_samples(&seg->signal, &first->signal) || !same_samples(&seg->z, &first->z) ||
        !same_samples(&seg->lateral, &first->lateral))
        return differs(j, part, "type or scale of its samples", rep);
    if (!same(f->sample_interval_s, m->sample_interval_s))
        return differs(j, part, "the sample interval", rep);
    j->lengths[id] |= f->has_lengths || seg->n != first->n;
    if (seg->n > j->longest[id]) j->longest[id] = seg->n;
    if (seg->ramp)
        j->ramps_differ[id] |= seg->n != first->n ||
                               memcmp(seg->ramp, first->ramp, seg->n * sizeof *seg->ramp) != 0;
    j->steps_differ[id] |= seg->start.set.id >= 0 || seg->step.set.id >= 0 ||
                           !same(seg->start_m, first->start_m) || !same(seg->step_m, first->step_m);
    return ST_OK;
}

static enum status compare(struct joining *j, size_t part, const struct volume *v,
                           struct report *rep)
{
    const struct volume_facts *f = &v->facts, *m = &j->model->facts;
    enum status st = ST_OK;
    if (j->wish->columns ? f->ny != m->ny : f->nx != m->nx)
        return differs(j, part, j->wish->columns ? "the number of rows" : "the number of columns",
                       rep);
    for (int id = 0; id < SEG_COUNT && st == ST_OK; id++)
        st = compare_segment(j, part, v, (enum segment_id)id, rep);
    for (int i = 0; i < LEVER_COUNT && st == ST_OK; i++)
        if (!same(f->lever.item[i].value, m->lever.item[i].value))
            st = differs(j, part, lever_rows[i].words, rep);
    if (st == ST_OK && f->lever.spring_tilt != m->lever.spring_tilt)
        st = differs(j, part, "whether the spring constant contains the tilt", rep);
    if (st == ST_OK && f->lever.thickness_by_pixel != m->lever.thickness_by_pixel)
        st = differs(j, part, "whether it has a thickness at each pixel", rep);
    j->absent |= f->has_present;
    j->z_offset |= f->has_z_offset;
    j->thickness |= f->lever.thickness_by_pixel;
    j->substrate |= f->lever.substrate_marked;
    return st;
}

/* First look: sizes and agreement. */
static enum status survey(struct joining *j, struct report *rep)
{
    /* the first part is asked for again and again: kept open beside the others */
    enum status st = j->wish->open(j->wish->context, j->wish->path[0], &j->model, rep);
    struct progress clock;
    size_t total = 0;
    if (st != ST_OK) return st;
    progress_begin(&clock, j->wish->progress, "parts looked at", j->wish->n);
    for (size_t i = 0; i < j->wish->n && st == ST_OK; i++) {
        struct volume *v;
        st = parts_at(j->parts, i, &v, rep);
        if (st == ST_OK) st = compare(j, i, v, rep);
        j->parts->first[i] = total;
        if (st == ST_OK) total += j->wish->columns ? v->facts.nx : v->facts.ny;
        progress_show(&clock, i + 1);
    }
    progress_end(&clock);
    j->parts->first[j->wish->n] = total;
    j->ny = j->wish->columns ? j->model->facts.ny : total;
    j->nx = j->wish->columns ? total : j->model->facts.nx;
    return st;
}

/* --- one number for each pixel --- */

static enum status spread(struct joining *j, size_t part, const struct volume *v,
                          const struct per_pixel *p, double otherwise, double *out,
                          struct report *rep)
{
    const struct volume_facts *f = &v->facts;
    struct tile whole = {0, 0, f->ny, f->nx};
    double *own = malloc(f->ny * f->nx * sizeof *own);
    enum status st = own ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for a part");
    for (size_t i = 0; st == ST_OK && i < f->ny * f->nx; i++)
        own[i] = otherwise;
    if (st == ST_OK && p && p->set.id >= 0) st = per_pixel_read(p, whole, own, rep);
    size_t row0 = j->wish->columns ? 0 : j->parts->first[part];
    size_t col0 = j->wish->columns ? j->parts->first[part] : 0;
    for (size_t i = 0; st == ST_OK && i < f->ny * f->nx; i++)
        out[(row0 + i / f->nx) * j->nx + col0 + i % f->nx] = own[i];
    free(own);
    return st;
}

static enum status gather_part(struct joining *j, size_t part, const struct volume *v,
                               struct report *rep)
{
    struct gathered *g = &j->all;
    enum status st = ST_OK;
    if (g->present) st = spread(j, part, v, &v->present, 1, g->present, rep);
    if (g->z_offset && st == ST_OK) st = spread(j, part, v, &v->z_offset, 0, g->z_offset, rep);
    if (g->thickness && st == ST_OK) st = spread(j, part, v, &v->thickness, NAN, g->thickness, rep);
    if (g->substrate && st == ST_OK) st = spread(j, part, v, &v->substrate, 0, g->substrate, rep);
    for (int id = 0; id < SEG_COUNT && st == ST_OK; id++) {
        const struct segment *seg = &v->seg[id];
        if (g->length[id])
            st = spread(j, part, v, &seg->length, (double)seg->n, g->length[id], rep);
        if (g->start[id] && st == ST_OK)
            st = spread(j, part, v, &seg->start, seg->start_m, g->start[id], rep);
        if (g->step[id] && st == ST_OK)
            st = spread(j, part, v, &seg->step, seg->step_m, g->step[id], rep);
    }
    size_t n = j->wish->columns ? v->facts.nx : v->facts.ny;
    const double *own = j->wish->columns ? v->x_m : v->y_m;
    memcpy(j->along_m + j->parts->first[part], own, n * sizeof *own);
    return st;
}

static enum status gather(struct joining *j, struct report *rep)
{
    struct gathered *g = &j->all;
    size_t bytes = j->ny * j->nx * sizeof(double);
    bool good = true;
    if (j->absent) good &= (g->present = malloc(bytes)) != NULL;
    if (j->z_offset) good &= (g->z_offset = malloc(bytes)) != NULL;
    if (j->substrate) good &= (g->substrate = malloc(bytes)) != NULL;
    if (j->thickness) good &= (g->thickness = malloc(bytes)) != NULL;
    for (int id = 0; id < SEG_COUNT; id++) {
        if (j->lengths[id]) good &= (g->length[id] = malloc(bytes)) != NULL;
        if (j->model->facts.seg[id].z_kind != Z_START_STEP || !j->steps_differ[id] ||
            !j->model->facts.seg[id].there)
            continue;
        good &= (g->start[id] = malloc(bytes)) != NULL;
        good &= (g->step[id] = malloc(bytes)) != NULL;
    }
    j->along_m = malloc((j->parts->first[j->wish->n] + 1) * sizeof *j->along_m);
    if (!good || !j->along_m) return fail(rep, ST_MEMORY, "not enough memory for all pixels");
    enum status st = ST_OK;
    for (size_t i = 0; i < j->wish->n && st == ST_OK; i++) {
        struct volume *v;
        st = parts_at(j->parts, i, &v, rep);
        if (st == ST_OK) st = gather_part(j, i, v, rep);
    }
    return st;
}

static bool is_monotonic(const double *x, size_t n)
{
    for (size_t i = 1; i < n; i++)
        if (!((x[i] - x[i - 1]) * (x[1] - x[0]) > 0)) return false;
    return true;
}

/* Positions as the parts have them; where each counts from its own zero, with the pitch. */
static enum status settle_positions(struct joining *j, struct report *rep)
{
    size_t n = j->parts->first[j->wish->n];
    const double *own = j->wish->columns ? j->model->x_m : j->model->y_m;
    double pitch = j->wish->pitch_m;
    if (isnan(pitch) && is_monotonic(j->along_m, n)) return ST_OK;
    if (isnan(pitch) && j->parts->first[1] > 1) pitch = own[1] - own[0];
    if (isnan(pitch))
        return fail(rep, ST_RECIPE,
                    "the parts do not say how far their %s are from each other; add under 'grid:' "
                    "the line 'pixel_size_%c: 0.5 um' (the distance)",
                    j->wish->columns ? "columns" : "rows", j->wish->columns ? 'x' : 'y');
    for (size_t i = 0; i < n; i++)
        j->along_m[i] = own[0] + (double)i * pitch;
    return ST_OK;
}

static void joining_free(struct joining *j)
{
    struct gathered *g = &j->all;
    free(g->present);
    free(g->z_offset);
    free(g->thickness);
    free(g->substrate);
    for (int id = 0; id < SEG_COUNT; id++) {
        free(g->length[id]);
        free(g->start[id]);
        free(g->step[id]);
    }
    free(j->along_m);
    volume_close(&j->model);
    parts_drop(j->parts);
}

enum status volume_join(struct volume **out, const struct join_wish *wish, struct report *rep)
{
    struct joining j = {.wish = wish, .parts = calloc(1, sizeof *j.parts)};
    enum status st = ST_OK;
    char path[300];
    *out = NULL;
    if (j.parts) {
        j.parts->users = 1;
        j.parts->wish = wish;
        j.parts->first = calloc(wish->n + 1, sizeof *j.parts->first);
    }
    if (!j.parts || !j.parts->first) st = fail(rep, ST_MEMORY, "not enough memory to join");
    if (st == ST_OK) st = survey(&j, rep);
    if (st == ST_OK) st = gather(&j, rep);
    if (st == ST_OK) st = settle_positions(&j, rep);
    if (st == ST_OK) st = skeleton_new(&j.sk, rep);
    if (st == ST_OK && (st = join_skeleton_fill(&j, rep)) != ST_OK) skeleton_free(&j.sk);
    snprintf(path, sizeof path, "%.200s and %zu more", wish->path[0], wish->n - 1);
    if (st == ST_OK) st = volume_open_skeleton(out, path, 0, j.sk, rep);
    joining_free(&j);
    return st;
}
