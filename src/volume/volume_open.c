#include "base/guard.h"
#include "volume/attributes.h"
#include "volume/skeleton.h"
#include "volume/volume_private.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char layout_name[] = "cantle-volume-1";

static void samples_clear(struct samples *s)
{
    dataset_clear(&s->set);
}

static struct volume *volume_new(const char *path)
{
    struct volume *v = calloc(1, sizeof *v);
    if (!v) return NULL;
    source_clear(&v->source);
    dataset_clear(&v->present.set);
    dataset_clear(&v->z_offset.set);
    dataset_clear(&v->thickness.set);
    dataset_clear(&v->substrate.set);
    lever_clear(&v->facts.lever);
    for (int id = 0; id < SEG_COUNT; id++) {
        struct segment *seg = &v->seg[id];
        samples_clear(&seg->signal);
        samples_clear(&seg->z);
        samples_clear(&seg->lateral);
        dataset_clear(&seg->length.set);
        dataset_clear(&seg->start.set);
        dataset_clear(&seg->step.set);
    }
    v->path = strdup(path);
    v->facts.path = v->path;
    return v;
}

static void samples_close(struct samples *s)
{
    dataset_close(&s->set);
    unpacker_free(s->unpack);
    free(s->tile);
    free(s->si);
}

static void per_pixel_close(struct per_pixel *p)
{
    dataset_close(&p->set);
    free(p->tile);
}

void volume_close(struct volume **v)
{
    struct volume *old = *v;
    *v = NULL;
    if (!old) return;
    for (int id = 0; id < SEG_COUNT; id++) {
        struct segment *seg = &old->seg[id];
        samples_close(&seg->signal);
        samples_close(&seg->z);
        samples_close(&seg->lateral);
        per_pixel_close(&seg->length);
        per_pixel_close(&seg->start);
        per_pixel_close(&seg->step);
        free(seg->ramp);
        free(seg->z_m);
    }
    per_pixel_close(&old->present);
    per_pixel_close(&old->z_offset);
    per_pixel_close(&old->thickness);
    per_pixel_close(&old->substrate);
    source_close(&old->source);
    digest_stream_free(old->stream);
    free(old->x_m);
    free(old->y_m);
    free(old->path);
    free(old);
}

static enum status check_layout(struct volume *v, struct report *rep)
{
    char layout[64];
    enum status st = attribute_text(v->source.file, "layout", layout, sizeof layout, rep);
    if (st == ST_OK && !*layout)
        st = fail(rep, ST_INPUT,
                  "attribute 'layout' is missing, expected '%s': this is not a volume, "
                  "see docs/volume-format.md",
                  layout_name);
    if (st == ST_OK && strcmp(layout, layout_name) != 0)
        st = fail(rep, ST_INPUT, "attribute 'layout' is '%s', this program reads '%s'", layout,
                  layout_name);
    if (st == ST_OK)
        st = attribute_text(v->source.file, "title", v->facts.title, sizeof v->facts.title, rep);
    return st == ST_OK ? st : within(rep, st, "/: ");
}

static enum status read_known(struct volume *v, enum lever_item item, const char *name,
                              struct report *rep)
{
    struct dataset d;
    struct known *k = &v->facts.lever.item[item];
    double factor = 1, u = NAN;
    bool has_u;
    enum status st = dataset_open(&d, &v->source, name, rep);
    if (st != ST_OK) return st;
    if ((st = dataset_scalar(&d, lever_rows[item].si_unit, &k->value, &factor, rep)) != ST_OK)
        goto done;
    st = attribute_numbers(d.id, "standard_uncertainty", &u, 1, &has_u, rep);
    if (st == ST_OK && has_u && !(isfinite(u) && u >= 0))
        st = fail(rep, ST_INPUT, "standard_uncertainty is %g, expected zero or more", u);
    k->u = has_u ? factor * u : NAN;
    k->origin = "volume";
    if (st == ST_OK) st = lever_check(item, k, rep);
    if (st != ST_OK) st = within(rep, st, "%s: ", name);
done:
    dataset_close(&d);
    return st;
}

/* What a lever file said of the spring constant besides its value (written by an import). */
static enum status read_spring(struct volume *v, struct report *rep)
{
    static const char name[] = "/calibration/spring_constant";
    struct lever *lever = &v->facts.lever;
    struct dataset d;
    char tilt[32], method[32];
    bool there;
    enum status st = dataset_open(&d, &v->source, name, rep);
    if (st != ST_OK) return st;
    st = attribute_text(d.id, "tilt", tilt, sizeof tilt, rep);
    if (st == ST_OK) st = attribute_text(d.id, "method", method, sizeof method, rep);
    if (st == ST_OK)
        st = attribute_numbers(d.id, "correlation", &lever->correlation, 1, &there, rep);
    if (st == ST_OK && !(fabs(lever->correlation) <= 1))
        st = fail(rep, ST_INPUT, "correlation is %g, expected -1 to 1", lever->correlation);
    for (int i = 1; i < 3 && st == ST_OK; i++)
        if (strcmp(tilt, spring_tilt_words[i]) == 0) lever->spring_tilt = (enum spring_tilt)i;
    if (st == ST_OK && *tilt && lever->spring_tilt == SPRING_TILT_UNKNOWN)
        st = fail(rep, ST_INPUT, "tilt is '%s', expected 'contained' or 'not contained'", tilt);
    if (st == ST_OK)
        lever->spring_thermal = lever->correlation != 0 && strcmp(method, "thermal") == 0;
    dataset_close(&d);
    return st == ST_OK ? st : within(rep, st, "%s: ", name);
}

static enum status open_calibration(struct volume *v, struct report *rep)
{
    char name[64];
    bool there;
    enum status st = ST_OK;
    for (int item = 0; item < LEVER_COUNT && st == ST_OK; item++) {
        snprintf(name, sizeof name, "/calibration/%s", lever_rows[item].name);
        st = source_has(&v->source, name, &there, rep);
        if (st == ST_OK && there) st = read_known(v, (enum lever_item)item, name, rep);
        if (st == ST_OK && there && item == LEVER_spring_constant) st = read_spring(v, rep);
    }
    return st;
}

/* What an import wrote; a volume of another origin has none, and a strange one is no error. */
static void read_origin(struct volume *v)
{
    struct report unused;
    struct volume_facts *f = &v->facts;
    bool there;
    if (source_has(&v->source, "/provenance", &there, &unused) != ST_OK || !there) return;
    hid_t group = H5Oopen(v->source.file, "/provenance", v->source.access);
    if (group < 0) return;
    if (attribute_text(group, "source", f->made_from, sizeof f->made_from, &unused) != ST_OK)
        *f->made_from = 0;
    if (attribute_text(group, "source_digest", f->source_digest, sizeof f->source_digest,
                       &unused) != ST_OK)
        *f->source_digest = 0;
    H5Oclose(group);
}

static enum status open_parts(struct volume *v, struct report *rep)
{
    enum status st = check_layout(v, rep);
    if (st != ST_OK) return st;
    v->facts.file_bytes = v->source.bytes;
    read_origin(v);
    for (int id = 0; id < SEG_COUNT && st == ST_OK; id++)
        st = volume_open_segment(v, (enum segment_id)id, rep);
    if (st != ST_OK || (st = volume_open_grid(v, rep)) != ST_OK ||
        (st = volume_find_sense(v, rep)) != ST_OK || (st = open_calibration(v, rep)) != ST_OK)
        return st;
    return volume_cut_tiles(v, rep);
}

/* sk NULL: the file at path is the volume. */
static enum status open_from(struct volume **out, const char *path, struct skeleton *sk,
                             uint64_t bytes, struct report *rep)
{
    enum status st;
    struct volume *v = volume_new(path);
    if (!v || !v->path) {
        st = fail(rep, ST_MEMORY, "not enough memory to open it");
        skeleton_free(&sk);
        goto done;
    }
    if (!sk) guard_file(path);
    st = sk ? source_wrap(&v->source, sk, bytes, rep) : source_open(&v->source, path, rep);
    if (st == ST_OK) st = open_parts(v, rep);
done:
    if (st != ST_OK) {
        volume_close(&v);
        st = within(rep, st, "%s: ", path);
    }
    guard_file(NULL);
    *out = v;
    return st;
}

enum status volume_open(struct volume **out, const char *path, struct report *rep)
{
    return open_from(out, path, NULL, 0, rep);
}

enum status volume_open_skeleton(struct volume **out, const char *path, uint64_t bytes,
                                 struct skeleton *sk, struct report *rep)
{
    return open_from(out, path, sk, bytes, rep);
}

void volume_calibrate(struct volume *v, const struct lever *known)
{
    lever_over(&v->facts.lever, known);
    for (int i = 0; i < LEVER_COUNT; i++)
        if (isfinite(v->facts.lever.item[i].value)) v->facts.lever.item[i].origin = "volume";
}

const struct volume_facts *volume_facts(const struct volume *v)
{
    return &v->facts;
}

bool volume_is_one(const char *path)
{
    struct report unused;
    struct source s;
    char layout[64];
    guard_file(path);
    bool yes = source_open(&s, path, &unused) == ST_OK &&
               attribute_text(s.file, "layout", layout, sizeof layout, &unused) == ST_OK &&
               strcmp(layout, layout_name) == 0;
    source_close(&s);
    guard_file(NULL);
    return yes;
}
