/* The parts of a joined volume: few are open at a time, and a view reads across them. */
#include "volume/volume_join_private.h"

#include <stdlib.h>
#include <string.h>

struct joined {
    struct view view;
    struct parts *parts;
    enum segment_id id;
    int leaf;
    bool ramp;
    char *buffer;
    size_t buffer_bytes;
};

void parts_drop(struct parts *p)
{
    if (!p || --p->users > 0) return;
    for (int i = 0; i < OPEN_AT_ONCE; i++)
        volume_close(&p->open[i].v);
    free(p->first);
    free(p);
}

enum status parts_at(struct parts *p, size_t part, struct volume **out, struct report *rep)
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

const struct samples *join_leaf(const struct volume *v, enum segment_id id, int leaf)
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
    const struct dataset *set = &join_leaf(v, j->id, j->leaf)->set;
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
        enum status st = parts_at(j->parts, part, &v, rep);
        if (st != ST_OK) return st;
        struct tile t = {start[0], start[1], count[0], count[1]};
        *(along ? &t.col0 : &t.row0) = from - low;
        *(along ? &t.cols : &t.rows) = to - from;
        size_t four = v->facts.seg[j->id].stage == STAGE_QUADRANTS && j->leaf == LEAF_signal ? 4
                                                                                             : 1;
        size_t size = j->ramp ? sizeof(double)
                              : number_size(join_leaf(v, j->id, j->leaf)->set.number);
        st = read_part(j, v, t, count[2], four, size, rep);
        if (st != ST_OK) return within(rep, st, "%s: ", wish->path[part]);
        if ((st = volume_check_length(v, rep)) != ST_OK) return st;
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

struct view *join_view_new(struct parts *parts, enum segment_id id, int leaf, bool ramp)
{
    struct joined *view = calloc(1, sizeof *view);
    if (!view) return NULL;
    *view = (struct joined){.parts = parts, .id = id, .leaf = leaf, .ramp = ramp};
    view->view.read = joined_read;
    view->view.drop = joined_drop;
    parts->users++;
    return &view->view;
}
