#include "volume/attributes.h"
#include "volume/volume_private.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Sides and pixels of the largest grid: far beyond any scan, small enough to count with. */
static const size_t largest_side = (size_t)1 << 20, largest_grid = (size_t)1 << 31;

const char *const segment_names[SEG_COUNT] = {"approach", "dwell", "retract"};

static const struct {
    const char *name, *si_unit, *other_unit;
} stages[] = {[STAGE_DETECTOR] = {"detector", "V", NULL},
              [STAGE_QUADRANTS] = {"quadrants", "V", "1"},
              [STAGE_DEFLECTION] = {"deflection", "m", NULL},
              [STAGE_FORCE] = {"force", "N", NULL}};

static void path_of(enum segment_id id, const char *leaf, char out[64])
{
    snprintf(out, 64, "/%s/%s", segment_names[id], leaf);
}

/* The unit as one of several dimensions; the message is that of the first. */
static enum status units_of(const struct dataset *d, const char *const *si_units, char text[32],
                            struct unit_scale *out, struct report *rep)
{
    struct report later;
    enum status st = dataset_units(d, si_units[0], out, text, 32, rep);
    for (int i = 1; st != ST_OK && si_units[i]; i++)
        if (dataset_units(d, si_units[i], out, text, 32, &later) == ST_OK) st = ST_OK;
    return st;
}

static enum status samples_size(struct samples *s, struct report *rep)
{
    s->width = s->set.dims[2] * (s->set.rank == 4 ? s->set.dims[3] : 1);
    s->bytes = s->width * number_size(s->set.number);
    if (s->set.number >= NUMBER_COUNT)
        return fail(rep, ST_INPUT,
                    "%s: is of type %s, expected an integer of at most 32 bits or a "
                    "float",
                    s->set.name, number_name(s->set.number));
    /* doubles: the pixel is decoded as a whole */
    if (s->width > LARGEST_BLOCK / sizeof(double))
        return fail(rep, ST_INPUT,
                    "%s: one pixel holds %zu samples, more than the %zu MiB that are "
                    "read at once",
                    s->set.name, s->width, LARGEST_BLOCK >> 20);
    return ST_OK;
}

static enum status read_stage(struct volume *v, enum segment_id id, struct report *rep)
{
    struct segment_facts *f = &v->facts.seg[id];
    struct dataset *d = &v->seg[id].signal.set;
    char word[32];
    enum status st = attribute_text(d->id, "stage", word, sizeof word, rep);
    if (st != ST_OK) return within(rep, st, "%s: ", d->name);
    for (size_t i = 0; i < sizeof stages / sizeof *stages; i++) {
        if (strcmp(word, stages[i].name) != 0) continue;
        f->stage = (enum signal_stage)i;
        return ST_OK;
    }
    return fail(rep, ST_INPUT,
                "%s: attribute 'stage' is %s%s%s, expected detector, quadrants, "
                "deflection or force",
                d->name, *word ? "'" : "", *word ? word : "missing", *word ? "'" : "");
}

static enum status read_repulsion(struct volume *v, enum segment_id id, struct report *rep)
{
    struct samples *s = &v->seg[id].signal;
    char word[32];
    enum status st = attribute_text(s->set.id, "repulsion", word, sizeof word, rep);
    if (st != ST_OK) return within(rep, st, "%s: ", s->set.name);
    if (*word && strcmp(word, "positive") != 0 && strcmp(word, "negative") != 0)
        return fail(rep, ST_INPUT,
                    "%s: attribute 'repulsion' is '%s', expected positive or negative", s->set.name,
                    word);
    bool negative = strcmp(word, "negative") == 0;
    v->facts.seg[id].negative_repulsion = negative;
    /* the sign of all four quadrants would drop out of their quotient */
    s->pack.swap = negative && v->facts.seg[id].stage == STAGE_QUADRANTS;
    if (negative && !s->pack.swap) {
        s->pack.a = -s->pack.a;
        s->pack.b = -s->pack.b;
    }
    return ST_OK;
}

static enum status check_signal_shape(struct volume *v, const struct dataset *d,
                                      enum signal_stage stage, struct report *rep)
{
    struct volume_facts *f = &v->facts;
    char shape[112];
    bool four = stage == STAGE_QUADRANTS;
    dataset_shape(d, shape);
    if (d->rank != (four ? 4 : 3) || (four && d->dims[3] != 4))
        return fail(rep, ST_INPUT, "%s: has shape %s, expected %s for stage '%s'", d->name, shape,
                    four ? "[ny,nx,n,4]" : "[ny,nx,n]", stages[stage].name);
    if (d->dims[0] == 0 || d->dims[1] == 0 || d->dims[2] == 0)
        return fail(rep, ST_INPUT, "%s: has shape %s: a size is zero, there is nothing to analyse",
                    d->name, shape);
    if (f->ny == 0) {
        f->ny = d->dims[0];
        f->nx = d->dims[1];
    }
    if (f->ny > largest_side || f->nx > largest_side || f->ny > largest_grid / f->nx)
        return fail(rep, ST_INPUT,
                    "%s: has shape %s, more pixels than the largest grid (%zu a side, "
                    "%zu in all)",
                    d->name, shape, largest_side, largest_grid);
    if (d->dims[0] != f->ny || d->dims[1] != f->nx)
        return fail(rep, ST_INPUT,
                    "%s: has shape %s, but the grid of /approach/signal is [%zu,%zu]", d->name,
                    shape, f->ny, f->nx);
    return ST_OK;
}

static enum status open_signal(struct volume *v, enum segment_id id, struct report *rep)
{
    struct samples *s = &v->seg[id].signal;
    struct segment_facts *f = &v->facts.seg[id];
    struct unit_scale unit;
    char name[64];
    enum status st;
    path_of(id, "signal", name);
    if ((st = dataset_open(&s->set, &v->source, name, rep)) != ST_OK ||
        (st = read_stage(v, id, rep)) != ST_OK)
        return st;
    const char *const fitting[] = {stages[f->stage].si_unit, stages[f->stage].other_unit, NULL};
    st = units_of(&s->set, fitting, f->units, &unit, rep);
    if (st != ST_OK) return st;
    if ((st = check_signal_shape(v, &s->set, f->stage, rep)) != ST_OK ||
        (st = samples_size(s, rep)) != ST_OK ||
        (st = packing_read(&s->pack, &s->set, unit, rep)) != ST_OK ||
        (st = read_repulsion(v, id, rep)) != ST_OK)
        return st;
    v->seg[id].n = f->n = s->set.dims[2];
    f->there = true;
    f->type = number_name(s->set.number);
    f->chunked = s->set.chunked;
    f->deflate = s->set.deflate;
    f->shuffle = s->set.shuffle;
    memcpy(f->chunk, s->set.chunk, sizeof f->chunk);
    f->stored_bytes = s->set.stored_bytes;
    f->sample_bytes = s->bytes;
    return ST_OK;
}

/* Further samples of the shape [ny,nx,n]: z of each curve, lateral. *first: in the first unit. */
static enum status open_samples(struct volume *v, enum segment_id id, struct samples *s,
                                const char *const *si_units, bool *first, struct report *rep)
{
    struct unit_scale unit;
    char shape[112], text[32];
    enum status st;
    const size_t expected[3] = {v->facts.ny, v->facts.nx, v->seg[id].n};
    if (s->set.rank != 3 || memcmp(s->set.dims, expected, sizeof expected) != 0) {
        dataset_shape(&s->set, shape);
        return fail(rep, ST_INPUT, "%s: has shape %s, expected [%zu,%zu,%zu] as the signal has it",
                    s->set.name, shape, expected[0], expected[1], expected[2]);
    }
    if ((st = units_of(&s->set, si_units, text, &unit, rep)) != ST_OK ||
        (st = samples_size(s, rep)) != ST_OK)
        return st;
    struct unit_scale scale;
    struct report unused;
    *first = units_scale(text, si_units[0], &scale, &unused) == ST_OK;
    return packing_read(&s->pack, &s->set, unit, rep);
}

/* A ramp for all curves: finite, and strictly monotonic but for a dwell, where z is held. */
static enum status read_ramp(struct volume *v, enum segment_id id, struct report *rep)
{
    struct segment *seg = &v->seg[id];
    struct dataset *d = &seg->z.set;
    struct unit_scale unit;
    struct packing pack = {0};
    size_t zero[4] = {0};
    enum status st;
    if (d->dims[0] != seg->n)
        return fail(rep, ST_INPUT, "%s: has %zu values, but the signal has %zu samples", d->name,
                    d->dims[0], seg->n);
    seg->ramp = malloc(seg->n * sizeof *seg->ramp);
    if (!seg->ramp) return fail(rep, ST_MEMORY, "not enough memory for a ramp of %zu", seg->n);
    if ((st = dataset_units(d, "m", &unit, NULL, 0, rep)) != ST_OK) return st;
    struct samples whole = {.set = *d};
    if (d->number >= NUMBER_COUNT) whole.set.number = NUMBER_float64;
    if ((st = packing_read(&pack, &whole.set, unit, rep)) != ST_OK ||
        (st = dataset_read(d, zero, &seg->n, H5T_NATIVE_DOUBLE, seg->ramp, rep)) != ST_OK)
        return st;
    for (size_t i = 0; i < seg->n; i++) {
        seg->ramp[i] = pack.a * seg->ramp[i] + pack.b;
        if (!isfinite(seg->ramp[i]))
            return fail(rep, ST_INPUT, "%s: value %zu is not a finite number", d->name, i);
        if (id != SEG_DWELL && i > 0 &&
            !((seg->ramp[i] - seg->ramp[i - 1]) * (seg->ramp[1] - seg->ramp[0]) > 0))
            return fail(rep, ST_INPUT,
                        "%s: the ramp of all curves is not strictly monotonic: value "
                        "%zu repeats or runs back; store z of each curve as [ny,nx,n] "
                        "if it was measured",
                        d->name, i);
    }
    dataset_close(d);
    return ST_OK;
}

/* z_start or z_step: one number, or one for each pixel. */
static enum status open_start_or_step(struct volume *v, const char *name, struct per_pixel *p,
                                      double *scalar_m, struct report *rep)
{
    struct dataset d;
    enum status st = dataset_open(&d, &v->source, name, rep);
    if (st != ST_OK) return st;
    if (d.rank == 2 && v->facts.ny * v->facts.nx != 1) {
        dataset_close(&d);
        return per_pixel_open(v, p, name, "m", rep);
    }
    st = dataset_scalar(&d, "m", scalar_m, NULL, rep);
    dataset_close(&d);
    return st;
}

static enum status open_z(struct volume *v, enum segment_id id, struct report *rep)
{
    struct segment *seg = &v->seg[id];
    char z[64], start[64], step[64];
    bool has_z, has_start, has_step;
    enum status st;
    path_of(id, "z", z);
    path_of(id, "z_start", start);
    path_of(id, "z_step", step);
    if ((st = source_has(&v->source, z, &has_z, rep)) != ST_OK ||
        (st = source_has(&v->source, start, &has_start, rep)) != ST_OK ||
        (st = source_has(&v->source, step, &has_step, rep)) != ST_OK)
        return st;
    if (has_z && (has_start || has_step))
        return fail(rep, ST_INPUT, "%s: is there beside z_start or z_step; keep one of the two", z);
    if (has_z) {
        static const char *const metres[] = {"m", NULL};
        bool unused;
        if ((st = dataset_open(&seg->z.set, &v->source, z, rep)) != ST_OK) return st;
        v->facts.seg[id].z_kind = seg->z.set.rank == 1 ? Z_SHARED : Z_PER_CURVE;
        return seg->z.set.rank == 1 ? read_ramp(v, id, rep)
                                    : open_samples(v, id, &seg->z, metres, &unused, rep);
    }
    if (!has_start || !has_step)
        return fail(rep, ST_INPUT, "%s: is missing; give it, or z_start and z_step", z);
    v->facts.seg[id].z_kind = Z_START_STEP;
    st = open_start_or_step(v, start, &seg->start, &seg->start_m, rep);
    return st == ST_OK ? open_start_or_step(v, step, &seg->step, &seg->step_m, rep) : st;
}

static enum status open_extras(struct volume *v, enum segment_id id, struct report *rep)
{
    static const char *const lateral_units[] = {"V", "m", "N", "1", NULL};
    struct segment *seg = &v->seg[id];
    struct segment_facts *f = &v->facts.seg[id];
    struct dataset interval;
    char name[64];
    bool there;
    enum status st;
    path_of(id, "length", name);
    if ((st = per_pixel_open(v, &seg->length, name, NULL, rep)) != ST_OK) return st;
    f->has_lengths = seg->length.set.id >= 0;
    path_of(id, "lateral", name);
    if ((st = source_has(&v->source, name, &f->has_lateral, rep)) != ST_OK) return st;
    if (f->has_lateral) {
        if ((st = dataset_open(&seg->lateral.set, &v->source, name, rep)) != ST_OK ||
            (st = open_samples(v, id, &seg->lateral, lateral_units, &f->lateral_volts, rep)) !=
                ST_OK)
            return st;
    }
    if (f->stage == STAGE_QUADRANTS && strcmp(f->units, "1") != 0) f->lateral_volts = true;
    path_of(id, "sample_interval", name);
    f->sample_interval_s = NAN;
    if ((st = source_has(&v->source, name, &there, rep)) != ST_OK || !there) return st;
    if ((st = dataset_open(&interval, &v->source, name, rep)) != ST_OK) return st;
    st = dataset_scalar(&interval, "s", &f->sample_interval_s, NULL, rep);
    dataset_close(&interval);
    if (st == ST_OK && !(f->sample_interval_s > 0))
        st = fail(rep, ST_INPUT, "%s: must be larger than zero", name);
    return st;
}

enum status volume_open_segment(struct volume *v, enum segment_id id, struct report *rep)
{
    char group[64];
    bool there;
    enum status st;
    snprintf(group, sizeof group, "/%s", segment_names[id]);
    v->facts.seg[id].sample_interval_s = NAN;
    if ((st = source_has(&v->source, group, &there, rep)) != ST_OK) return st;
    if (!there && id == SEG_APPROACH)
        return fail(rep, ST_INPUT, "%s/signal: is missing; every volume has an approach", group);
    if (!there) return ST_OK;
    if ((st = open_signal(v, id, rep)) != ST_OK || (st = open_z(v, id, rep)) != ST_OK) return st;
    return open_extras(v, id, rep);
}
