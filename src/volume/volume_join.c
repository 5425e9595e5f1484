#include "volume/volume_join.h"
#include "base/progress.h"
#include "volume/attributes.h"
#include "volume/skeleton.h"
#include "volume/volume_private.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { OPEN_AT_ONCE = 8, LEAVES = 3 };
enum { LEAF_signal, LEAF_z, LEAF_lateral };

/* What all views of a joined volume share. */
struct parts {
    const struct join_wish *wish;
    size_t *first; /* [n + 1] first row (column) of each part */
    struct {
        size_t part;
        struct volume *v;
        uint64_t used;
    } open[OPEN_AT_ONCE];
    uint64_t clock;
    int users;
};

struct joined {
    struct view view;
    struct parts *parts;
    enum segment_id id;
    int leaf;
    bool ramp; /* z: ramps of the parts differ, so each curve gets that of its part */
    char *buffer;
    size_t buffer_bytes;
};

static void parts_drop(struct parts *p)
{
    if (!p || --p->users > 0) return;
    for (int i = 0; i < OPEN_AT_ONCE; i++)
        volume_close(&p->open[i].v);
    free(p->first);
    free(p);
}

/* The part as an open volume; the one not used for longest makes room. */
static enum status part_at(struct parts *p, size_t part, struct volume **out, struct report *rep)
{
    int oldest = 0;
    for (int i = 0; i < OPEN_AT_ONCE; i++) {
        if (p->open[i].v && p->open[i].part == part) {
            p->open[i].used = ++p->clock;
            *out = p->open[i].v;
            return ST_OK;
        }
        if (!p->open[i].v || (p->open[oldest].v && p->open[i].used < p->open[oldest].used))
            oldest = i;
    }
    volume_close(&p->open[oldest].v);
    enum status st = p->wish->open(p->wish->context, p->wish->path[part], &p->open[oldest].v, rep);
    p->open[oldest].part = part;
    p->open[oldest].used = ++p->clock;
    *out = p->open[oldest].v;
    return st;
}

static const struct samples *leaf_of(const struct volume *v, enum segment_id id, int leaf)
{
    const struct segment *seg = &v->seg[id];
    return leaf == LEAF_signal ? &seg->signal : leaf == LEAF_z ? &seg->z : &seg->lateral;
}

/* --- reading --- */

static enum status read_part(struct joined *j, struct volume *v, struct tile t, size_t n,
                             size_t four, size_t size, struct report *rep)
{
    const struct segment *seg = &v->seg[j->id];
    size_t bytes = t.rows * t.cols * n * four * size, own = seg->n < n ? seg->n : n;
    if (bytes > j->buffer_bytes) {
        free(j->buffer);
        j->buffer = malloc(bytes);
        j->buffer_bytes = j->buffer ? bytes : 0;
        if (!j->buffer) return fail(rep, ST_MEMORY, "not enough memory for a part");
    }
    if (j->ramp) {
        double sense = v->facts.seg[j->id].z_sense;
        for (size_t i = 0; i < t.rows * t.cols * own; i++)
            ((double *)(void *)j->buffer)[i] = sense * seg->ramp[i % own];
        return ST_OK;
    }
    const struct dataset *set = &leaf_of(v, j->id, j->leaf)->set;
    size_t start[4] = {t.row0, t.col0, 0, 0}, count[4] = {t.rows, t.cols, own, four};
    return dataset_read(set, start, count, number_memory(set->number), j->buffer, rep);
}

static enum status joined_read(struct view *self, const size_t start[4], const size_t count[4],
                               void *out, struct report *rep)
{
    struct joined *j = (struct joined *)self;
    const struct join_wish *wish = j->parts->wish;
    int along = wish->columns ? 1 : 0;
    struct volume *v;
    for (size_t part = 0; part < wish->n; part++) {
        size_t low = j->parts->first[part], high = j->parts->first[part + 1];
        size_t from = start[along] > low ? start[along] : low;
        size_t to = start[along] + count[along] < high ? start[along] + count[along] : high;
        if (from >= to) continue;
        enum status st = part_at(j->parts, part, &v, rep);
        if (st != ST_OK) return st;
        struct tile t = {start[0], start[1], count[0], count[1]};
        *(along ? &t.col0 : &t.row0) = from - low;
        *(along ? &t.cols : &t.rows) = to - from;
        size_t four = v->facts.seg[j->id].stage == STAGE_QUADRANTS && j->leaf == LEAF_signal ? 4
                                                                                             : 1;
        size_t size = j->ramp ? sizeof(double)
                              : number_size(leaf_of(v, j->id, j->leaf)->set.number);
        st = read_part(j, v, t, count[2], four, size, rep);
        if (st != ST_OK) return within(rep, st, "%s: ", wish->path[part]);
        size_t own = v->seg[j->id].n < count[2] ? v->seg[j->id].n : count[2];
        size_t curve = count[2] * four * size, have = own * four * size;
        for (size_t row = 0; row < t.rows; row++)
            for (size_t col = 0; col < t.cols; col++) {
                size_t r = row + (along ? 0 : from - start[0]),
                       c = col + (along ? from - start[1] : 0);
                char *to_curve = (char *)out + (r * count[1] + c) * curve;
                memcpy(to_curve, j->buffer + (row * t.cols + col) * have, have);
                memset(to_curve + have, 0, curve - have);
            }
    }
    return ST_OK;
}

static void joined_drop(struct view *self)
{
    struct joined *j = (struct joined *)self;
    parts_drop(j->parts);
    free(j->buffer);
    free(j);
}

/* --- what the parts have in common --- */

/* Numbers of all pixels, filled part by part. */
struct gathered {
    double *present, *z_offset, *thickness, *substrate;
    double *length[SEG_COUNT], *start[SEG_COUNT], *step[SEG_COUNT];
};

struct joining {
    const struct join_wish *wish;
    struct parts *parts;
    struct volume *model; /* the first part */
    size_t ny, nx, longest[SEG_COUNT];
    bool ramps_differ[SEG_COUNT], lengths[SEG_COUNT];
    bool absent, z_offset, thickness, substrate, steps_differ[SEG_COUNT];
    double *along_m; /* positions along the join */
    struct gathered all;
    struct skeleton *sk;
};

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
        st = part_at(j->parts, i, &v, rep);
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
        st = part_at(j->parts, i, &v, rep);
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

/* --- into the skeleton --- */

static enum status put_packing(struct joining *j, const char *name, const struct samples *s,
                               const char *unit, struct report *rep)
{
    const struct {
        const char *name;
        double value;
    } rows[] = {{"scale_factor", s->pack.a},     {"add_offset", s->pack.b},
                {"valid_min", s->pack.low},      {"valid_max", s->pack.high},
                {"_FillValue", s->pack.gone[0]}, {"missing_value", s->pack.gone[1]}};
    enum status st = skeleton_text(j->sk, name, "units", unit, rep);
    for (size_t i = 0; i < sizeof rows / sizeof *rows && st == ST_OK; i++)
        if (isfinite(rows[i].value))
            st = skeleton_number(j->sk, name, rows[i].name, rows[i].value, rep);
    return st;
}

static enum status put_samples(struct joining *j, enum segment_id id, int leaf, struct report *rep)
{
    static const char *const leaves[LEAVES] = {"signal", "z", "lateral"};
    static const char *const units[] = {"V", "V", "m", "N"};
    const struct segment *seg = &j->model->seg[id];
    const struct samples *s = leaf_of(j->model, id, leaf);
    enum signal_stage stage = j->model->facts.seg[id].stage;
    bool four = leaf == LEAF_signal && stage == STAGE_QUADRANTS;
    bool ramp = leaf == LEAF_z && seg->ramp && j->ramps_differ[id];
    const size_t dims[4] = {j->ny, j->nx, j->longest[id], 4};
    char name[64], unit[64] = "m";
    if (s->set.id < 0 && !ramp) return ST_OK;
    struct joined *view = calloc(1, sizeof *view);
    if (!view) return fail(rep, ST_MEMORY, "not enough memory to join");
    *view = (struct joined){.parts = j->parts, .id = id, .leaf = leaf, .ramp = ramp};
    view->view.read = joined_read;
    view->view.drop = joined_drop;
    j->parts->users++;
    snprintf(name, sizeof name, "/%s/%s", segment_names[id], leaves[leaf]);
    enum status st = skeleton_samples(j->sk, name, four ? 4 : 3, dims,
                                      ramp ? NUMBER_float64 : s->set.number, &view->view, rep);
    if (st != ST_OK) return st;
    if (ramp) return skeleton_text(j->sk, name, "units", "m", rep);
    if (leaf == LEAF_signal) snprintf(unit, sizeof unit, "%s", units[stage]);
    if (leaf == LEAF_lateral) {
        /* its scale has the factor of its unit in it, and the dimension is its own affair */
        st = attribute_text(s->set.id, "units", unit, sizeof unit, rep);
        return st == ST_OK ? skeleton_text(j->sk, name, "units", unit, rep) : st;
    }
    st = put_packing(j, name, s, unit, rep);
    if (st == ST_OK && leaf == LEAF_signal)
        st = skeleton_text(
            j->sk, name, "stage",
            (const char *const[]){"detector", "quadrants", "deflection", "force"}[stage], rep);
    if (st == ST_OK && leaf == LEAF_signal)
        st = skeleton_text(j->sk, name, "repulsion", s->pack.swap ? "negative" : "positive", rep);
    return st;
}

static enum status put_pixels(struct joining *j, const char *group, const char *leaf,
                              const double *values, const char *unit, struct report *rep)
{
    const size_t dims[2] = {j->ny, j->nx};
    char name[64];
    snprintf(name, sizeof name, "/%s/%s", group, leaf);
    return values ? skeleton_numbers(j->sk, name, 2, dims, values, unit, NAN, rep) : ST_OK;
}

static enum status put_segment(struct joining *j, enum segment_id id, struct report *rep)
{
    const struct segment *seg = &j->model->seg[id];
    const struct segment_facts *f = &j->model->facts.seg[id];
    const char *group = segment_names[id];
    enum status st = ST_OK;
    char name[64];
    if (!f->there) return ST_OK;
    for (int leaf = 0; leaf < LEAVES && st == ST_OK; leaf++)
        st = put_samples(j, id, leaf, rep);
    if (st == ST_OK) st = put_pixels(j, group, "length", j->all.length[id], NULL, rep);
    if (st == ST_OK) st = put_pixels(j, group, "z_start", j->all.start[id], "m", rep);
    if (st == ST_OK) st = put_pixels(j, group, "z_step", j->all.step[id], "m", rep);
    if (st == ST_OK && f->z_kind == Z_START_STEP && !j->all.start[id]) {
        snprintf(name, sizeof name, "/%s/z_start", group);
        st = skeleton_numbers(j->sk, name, 0, NULL, &seg->start_m, "m", NAN, rep);
        snprintf(name, sizeof name, "/%s/z_step", group);
        if (st == ST_OK) st = skeleton_numbers(j->sk, name, 0, NULL, &seg->step_m, "m", NAN, rep);
    }
    snprintf(name, sizeof name, "/%s/z", group);
    if (st == ST_OK && seg->ramp && !j->ramps_differ[id]) {
        double *ramp = malloc(seg->n * sizeof *ramp);
        for (size_t i = 0; ramp && i < seg->n; i++)
            ramp[i] = f->z_sense * seg->ramp[i];
        st = ramp ? skeleton_numbers(j->sk, name, 1, &seg->n, ramp, "m", NAN, rep)
                  : fail(rep, ST_MEMORY, "not enough memory for a ramp");
        free(ramp);
    }
    if (f->z_kind == Z_START_STEP) snprintf(name, sizeof name, "/%s/z_start", group);
    if (st == ST_OK)
        st = skeleton_text(j->sk, name, "direction",
                           f->z_sense > 0 ? "toward_sample" : "away_from_sample", rep);
    snprintf(name, sizeof name, "/%s/sample_interval", group);
    if (st == ST_OK && isfinite(f->sample_interval_s))
        st = skeleton_numbers(j->sk, name, 0, NULL, &f->sample_interval_s, "s", NAN, rep);
    return st;
}

static enum status put_all(struct joining *j, struct report *rep)
{
    const struct volume_facts *f = &j->model->facts;
    enum status st = skeleton_text(j->sk, "/", "title", f->title, rep);
    char name[64];
    for (int id = 0; id < SEG_COUNT && st == ST_OK; id++)
        st = put_segment(j, (enum segment_id)id, rep);
    if (st == ST_OK)
        st = skeleton_numbers(j->sk, "/grid/x", 1, &j->nx, j->wish->columns ? j->along_m : f->x_m,
                              "m", NAN, rep);
    if (st == ST_OK)
        st = skeleton_numbers(j->sk, "/grid/y", 1, &j->ny, j->wish->columns ? f->y_m : j->along_m,
                              "m", NAN, rep);
    if (st == ST_OK) st = put_pixels(j, "grid", "present", j->all.present, NULL, rep);
    if (st == ST_OK) st = put_pixels(j, "grid", "z_offset", j->all.z_offset, "m", rep);
    if (st == ST_OK) st = put_pixels(j, "grid", "thickness", j->all.thickness, "m", rep);
    if (st == ST_OK) st = put_pixels(j, "grid", "substrate", j->all.substrate, NULL, rep);
    for (int i = 0; i < LEVER_COUNT && st == ST_OK; i++) {
        const struct known *k = &f->lever.item[i];
        snprintf(name, sizeof name, "/calibration/%s", lever_rows[i].name);
        if (isfinite(k->value))
            st = skeleton_numbers(j->sk, name, 0, NULL, &k->value, lever_rows[i].si_unit, k->u,
                                  rep);
    }
    return st == ST_OK ? skeleton_spring_notes(j->sk, &f->lever, rep) : st;
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
    if (st == ST_OK && (st = put_all(&j, rep)) != ST_OK) skeleton_free(&j.sk);
    snprintf(path, sizeof path, "%.200s and %zu more", wish->path[0], wish->n - 1);
    if (st == ST_OK) st = volume_open_skeleton(out, path, 0, j.sk, rep);
    joining_free(&j);
    return st;
}
