#include "volume/volume_private.h"

#include <math.h>
#include <string.h>

static const void *stored_at(const struct samples *s, size_t pixel)
{
    return s->tile + pixel * s->bytes;
}

static bool there(const struct dataset *d)
{
    return d->id >= 0;
}

/* Four quadrants: a sample is clipped when one of them is. */
static size_t decode_quadrants(const struct samples *s, const void *stored, size_t n)
{
    size_t clipped = 0, step = 4 * number_size(s->set.number);
    for (size_t i = 0; i < n; i++) {
        double *q = s->si + 4 * i;
        clipped += packing_decode(&s->pack, s->set.number, (const char *)stored + i * step, 4, q) >
                   0;
        if (!s->pack.swap) continue;
        double a = q[0], b = q[1];
        q[0] = q[2], q[1] = q[3], q[2] = a, q[3] = b;
    }
    return clipped;
}

/* z of one pixel, grown towards the sample. The shared ramp is handed out as it is if it can be. */
static const double *decode_z(const struct volume *v, enum segment_id id, size_t pixel, size_t n)
{
    const struct segment *seg = &v->seg[id];
    double sense = v->facts.seg[id].z_sense;
    double offset = there(&v->z_offset.set) ? v->z_offset.tile[pixel] : 0.0;
    double *z = seg->z_m;
    if (seg->ramp && !there(&v->z_offset.set)) return seg->ramp;
    if (seg->ramp) {
        for (size_t i = 0; i < n; i++)
            z[i] = seg->ramp[i] + sense * offset;
    } else if (there(&seg->z.set)) {
        packing_decode(&seg->z.pack, seg->z.set.number, stored_at(&seg->z, pixel), n, z);
        for (size_t i = 0; i < n; i++)
            z[i] = sense * (z[i] + offset);
    } else {
        double start = there(&seg->start.set) ? seg->start.tile[pixel] : seg->start_m;
        double step = there(&seg->step.set) ? seg->step.tile[pixel] : seg->step_m;
        for (size_t i = 0; i < n; i++)
            z[i] = sense * (start + (double)i * step + offset);
    }
    return z;
}

/* Checked at open, but the file may have been changed since. */
static size_t length_of(const struct segment *seg, size_t pixel)
{
    return (size_t)fmin(fmax(seg->length.tile[pixel], 0), (double)seg->n);
}

static void decode_segment(struct volume *v, enum segment_id id, size_t pixel,
                           struct raw_segment *out)
{
    struct segment *seg = &v->seg[id];
    struct samples *s = &seg->signal;
    size_t n = there(&seg->length.set) ? length_of(seg, pixel) : seg->n;
    bool four = v->facts.seg[id].stage == STAGE_QUADRANTS;
    *out = (struct raw_segment){.n = n, .interval_s = v->facts.seg[id].sample_interval_s};
    if (n == 0) return;
    out->clipped = four ? decode_quadrants(s, stored_at(s, pixel), n)
                        : packing_decode(&s->pack, s->set.number, stored_at(s, pixel), n, s->si);
    out->signal = s->si;
    out->z_m = decode_z(v, id, pixel, n);
    if (!there(&seg->lateral.set)) return;
    packing_decode(&seg->lateral.pack, seg->lateral.set.number, stored_at(&seg->lateral, pixel), n,
                   seg->lateral.si);
    out->lateral = seg->lateral.si;
}

void volume_curve(struct volume *v, size_t row, size_t col, struct raw_curve *out)
{
    size_t pixel = (row - v->tile.row0) * v->tile.cols + (col - v->tile.col0);
    *out = (struct raw_curve){.absent = there(&v->present.set) && v->present.tile[pixel] == 0,
                              .thickness_m = NAN,
                              .x_m = v->facts.x_m[col],
                              .y_m = v->facts.y_m[row]};
    if (there(&v->thickness.set)) out->thickness_m = v->thickness.tile[pixel];
    if (there(&v->substrate.set)) out->on_substrate = v->substrate.tile[pixel] != 0;
    for (int id = 0; id < SEG_COUNT; id++) {
        out->stage[id] = v->facts.seg[id].stage;
        if (v->facts.seg[id].there && !out->absent)
            decode_segment(v, (enum segment_id)id, pixel, &out->seg[id]);
    }
}

static void feed_number(struct volume *v, const struct per_pixel *p, size_t pixel, bool whole)
{
    if (!there(&p->set)) return;
    if (whole) {
        /* of an absent pixel it may be anything */
        bool fits = fabs(p->tile[pixel]) < 9.2e18;
        int64_t count = fits ? (int64_t)p->tile[pixel] : INT64_MIN;
        digest_stream_feed(v->stream, &count, sizeof count);
    } else {
        digest_stream_feed(v->stream, &p->tile[pixel], sizeof(double));
    }
}

static void feed_segment(struct volume *v, const struct segment *seg, size_t pixel)
{
    digest_stream_feed(v->stream, stored_at(&seg->signal, pixel), seg->signal.bytes);
    if (there(&seg->z.set)) digest_stream_feed(v->stream, stored_at(&seg->z, pixel), seg->z.bytes);
    feed_number(v, &seg->start, pixel, false);
    feed_number(v, &seg->step, pixel, false);
    feed_number(v, &seg->length, pixel, true);
}

struct digest volume_tile_digest(struct volume *v)
{
    struct digest sum = {0, 0};
    for (size_t pixel = 0; pixel < v->tile.rows * v->tile.cols; pixel++) {
        size_t row = v->tile.row0 + pixel / v->tile.cols, col = v->tile.col0 + pixel % v->tile.cols;
        digest_stream_begin(v->stream, row * v->facts.nx + col);
        for (int id = 0; id < SEG_COUNT; id++)
            if (v->facts.seg[id].there) feed_segment(v, &v->seg[id], pixel);
        digest_add(&sum, digest_stream_end(v->stream));
    }
    return sum;
}
