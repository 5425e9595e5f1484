/* What a volume says beside its samples, as one digest. */
#include "volume/volume_private.h"

#include <stdlib.h>
#include <string.h>

struct feed {
    struct volume *v;
    enum status st;
    struct report *rep;
};

static void feed_reals(struct feed *f, const double *values, size_t n)
{
    if (values) digest_stream_feed(f->v->stream, values, n * sizeof *values);
}

static void feed_count(struct feed *f, int64_t count)
{
    digest_stream_feed(f->v->stream, &count, sizeof count);
}

static void feed_samples(struct feed *f, const struct samples *s)
{
    const struct packing *p = &s->pack;
    const double numbers[] = {p->a, p->b, p->gone[0], p->gone[1], p->low, p->high};
    feed_count(f, s->set.id >= 0);
    if (s->set.id < 0) return;
    feed_reals(f, numbers, sizeof numbers / sizeof *numbers);
    feed_count(f, (int64_t)s->width);
    feed_count(f, (int64_t)s->set.number);
    feed_count(f, p->swap);
}

/* A map of one number a pixel, row by row. */
static void feed_map(struct feed *f, const struct per_pixel *p, double *row)
{
    const struct volume_facts *facts = &f->v->facts;
    feed_count(f, p->set.id >= 0);
    for (size_t i = 0; p->set.id >= 0 && i < facts->ny && f->st == ST_OK; i++) {
        f->st = per_pixel_read(p, (struct tile){i, 0, 1, facts->nx}, row, f->rep);
        if (f->st == ST_OK) feed_reals(f, row, facts->nx);
    }
}

static void feed_segment(struct feed *f, const struct segment *seg,
                         const struct segment_facts *facts)
{
    feed_count(f, facts->there);
    if (!facts->there) return;
    feed_count(f, (int64_t)seg->n);
    feed_count(f, (int64_t)facts->stage);
    feed_count(f, (int64_t)facts->z_kind);
    feed_count(f, facts->z_sense);
    feed_reals(f, &facts->sample_interval_s, 1);
    feed_samples(f, &seg->signal);
    feed_samples(f, &seg->z);
    feed_reals(f, seg->ramp, seg->n);
    if (facts->z_kind == Z_START_STEP) {
        feed_reals(f, &seg->start_m, 1);
        feed_reals(f, &seg->step_m, 1);
    }
}

enum status volume_setup_digest(struct volume *v, struct digest *out, struct report *rep)
{
    const struct volume_facts *facts = &v->facts;
    struct feed f = {v, ST_OK, rep};
    double *row = malloc(facts->nx * sizeof *row);
    if (!row) return fail(rep, ST_MEMORY, "%s: not enough memory for a row", v->path);
    digest_stream_begin(v->stream, 0);
    feed_count(&f, (int64_t)facts->ny);
    feed_count(&f, (int64_t)facts->nx);
    feed_reals(&f, facts->x_m, facts->nx);
    feed_reals(&f, facts->y_m, facts->ny);
    for (int id = 0; id < SEG_COUNT; id++)
        feed_segment(&f, &v->seg[id], &facts->seg[id]);
    feed_map(&f, &v->present, row);
    feed_map(&f, &v->z_offset, row);
    feed_map(&f, &v->thickness, row);
    feed_map(&f, &v->substrate, row);
    *out = digest_stream_end(v->stream);
    free(row);
    return f.st == ST_OK ? ST_OK : within(rep, f.st, "%s: ", v->path);
}
