#include "volume/attributes.h"
#include "volume/volume_private.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Pixels, and samples, that are looked at for a curve whose z runs: an open must not read the whole
 * file. */
static const size_t most_tries = 4096, most_looked_at = (size_t)1 << 26;
/* Pixels read at once when a whole [ny,nx] array is checked. */
static const size_t band_pixels = 65536;

/* Where the numbers of z run, last less first: NaN when it cannot be told. */
static double run_of(const double *z, size_t n)
{
    size_t first = 0, last = n;
    while (first < n && !isfinite(z[first]))
        first++;
    while (last > first + 1 && !isfinite(z[last - 1]))
        last--;
    return last > first + 1 ? z[last - 1] - z[first] : NAN;
}

static enum status run_of_pixel(struct volume *v, struct segment *seg, size_t row, size_t col,
                                double *run, struct report *rep)
{
    struct tile one = {row, col, 1, 1};
    size_t start[4] = {row, col, 0, 0}, count[4] = {1, 1, seg->n, 1};
    double length = (double)seg->n, here = 1;
    enum status st = ST_OK;
    *run = NAN;
    if (v->facts.has_present) st = per_pixel_read(&v->present, one, &here, rep);
    if (st == ST_OK && seg->length.set.id >= 0)
        st = per_pixel_read(&seg->length, one, &length, rep);
    if (st != ST_OK || here == 0 || length < 2) return st;
    if (seg->step.set.id >= 0) return per_pixel_read(&seg->step, one, run, rep);
    void *stored = malloc(seg->z.bytes);
    double *z = malloc(seg->n * sizeof *z);
    if (!stored || !z)
        st = fail(rep, ST_MEMORY, "not enough memory for a curve of %zu samples", seg->n);
    else
        st = dataset_read(&seg->z.set, start, count, number_memory(seg->z.set.number), stored, rep);
    if (st == ST_OK) {
        packing_decode(&seg->z.pack, seg->z.set.number, stored, seg->n, z);
        *run = run_of(z, (size_t)length);
    }
    free(stored);
    free(z);
    return st;
}

/* Which way the stored numbers of a segment run: +1, -1, or 0 when no curve tells. */
static enum status direction_of(struct volume *v, enum segment_id id, int *out, struct report *rep)
{
    struct segment *seg = &v->seg[id];
    double run = NAN;
    size_t tries = seg->n ? most_looked_at / seg->n + 1 : 1;
    *out = 0;
    if (tries > most_tries) tries = most_tries;
    if (seg->ramp)
        run = run_of(seg->ramp, seg->n);
    else if (seg->z.set.id < 0 && seg->step.set.id < 0)
        run = seg->step_m;
    else
        for (size_t i = 0; i < v->facts.ny * v->facts.nx && i < tries; i++) {
            enum status st = run_of_pixel(v, seg, i / v->facts.nx, i % v->facts.nx, &run, rep);
            if (st != ST_OK) return st;
            if (run != 0 && isfinite(run)) break;
        }
    if (isfinite(run)) *out = (run > 0) - (run < 0);
    return ST_OK;
}

/* The attribute `direction`: +1, -1, 0 when it is not there. */
static enum status stated_of(struct volume *v, enum segment_id id, const char *leaf, int *out,
                             struct report *rep)
{
    char name[64], word[32];
    bool there;
    *out = 0;
    snprintf(name, sizeof name, "/%s/%s", segment_names[id], leaf);
    enum status st = source_has(&v->source, name, &there, rep);
    if (st != ST_OK || !there) return st;
    hid_t object = H5Oopen(v->source.file, name, v->source.access);
    if (object < 0) return fail(rep, ST_INPUT, "%s: cannot be opened", name);
    st = attribute_text(object, "direction", word, sizeof word, rep);
    if (st == ST_OK && *word) {
        *out = strcmp(word, "toward_sample") == 0      ? +1
               : strcmp(word, "away_from_sample") == 0 ? -1
                                                       : 0;
        if (*out == 0)
            st = fail(rep, ST_INPUT,
                      "attribute 'direction' is '%s', expected toward_sample or "
                      "away_from_sample",
                      word);
    }
    H5Oclose(object);
    return st == ST_OK ? st : within(rep, st, "%s: ", name);
}

static enum status stated_sense(struct volume *v, enum segment_id id, int *out, struct report *rep)
{
    enum status st = stated_of(v, id, "z", out, rep);
    if (st == ST_OK && *out == 0) st = stated_of(v, id, "z_start", out, rep);
    return st;
}

static enum status check_segment(struct volume *v, enum segment_id id, int sense,
                                 struct report *rep)
{
    const char *name = segment_names[id];
    int stated, direction;
    enum status st = stated_sense(v, id, &stated, rep);
    if (st == ST_OK) st = direction_of(v, id, &direction, rep);
    if (st != ST_OK) return st;
    if (stated != 0 && stated != sense)
        return fail(rep, ST_INPUT,
                    "/%s/z: attribute 'direction' says %s, but the approach runs %s; "
                    "correct the attribute, or store samples in the order of time",
                    name, stated > 0 ? "toward_sample" : "away_from_sample",
                    sense > 0 ? "the other way: its z grows" : "the other way: its z falls");
    if (id == SEG_RETRACT && direction == sense)
        return fail(rep, ST_INPUT,
                    "/%s/z: runs the same way as /approach/z, but a retract goes away "
                    "from the sample; store its samples in the order of time",
                    name);
    v->facts.seg[id].z_sense = sense;
    for (size_t i = 0; v->seg[id].ramp && i < v->seg[id].n; i++)
        v->seg[id].ramp[i] *= sense;
    return ST_OK;
}

static enum status check_lengths(struct volume *v, enum segment_id id, struct tile band,
                                 const double *present, double *work, struct report *rep)
{
    const struct segment *seg = &v->seg[id];
    if (seg->length.set.id < 0) return ST_OK;
    enum status st = per_pixel_read(&seg->length, band, work, rep);
    if (st != ST_OK) return st;
    for (size_t i = 0; i < band.rows * band.cols; i++)
        if (present[i] != 0 && !(work[i] >= 0 && work[i] <= (double)seg->n))
            return fail(rep, ST_INPUT,
                        "%s: is %.0f at row %zu, column %zu, but a curve holds 0 to %zu "
                        "samples",
                        seg->length.set.name, work[i], band.row0 + i / band.cols, i % band.cols,
                        seg->n);
    return ST_OK;
}

/* The [ny,nx] arrays that can be wrong on their own, in bands of rows. */
static enum status check_pixels(struct volume *v, struct report *rep)
{
    struct volume_facts *f = &v->facts;
    size_t rows = band_pixels / f->nx + 1;
    enum status st = ST_OK;
    double *present = malloc(rows * f->nx * sizeof *present);
    double *work = malloc(rows * f->nx * sizeof *work);
    if (!present || !work) {
        st = fail(rep, ST_MEMORY, "not enough memory to check %zu pixels", rows * f->nx);
        goto done;
    }
    for (size_t row = 0; row < f->ny && st == ST_OK; row += rows) {
        struct tile band = {row, 0, f->ny - row < rows ? f->ny - row : rows, f->nx};
        for (size_t i = 0; i < band.rows * band.cols; i++)
            present[i] = 1;
        if (f->has_present) st = per_pixel_read(&v->present, band, present, rep);
        for (size_t i = 0; st == ST_OK && i < band.rows * band.cols; i++)
            f->n_absent += present[i] == 0;
        for (int id = 0; id < SEG_COUNT && st == ST_OK; id++)
            st = check_lengths(v, (enum segment_id)id, band, present, work, rep);
    }
done:
    free(present);
    free(work);
    return st;
}

enum status volume_find_sense(struct volume *v, struct report *rep)
{
    int sense;
    enum status st = check_pixels(v, rep);
    if (st == ST_OK) st = direction_of(v, SEG_APPROACH, &sense, rep);
    if (st == ST_OK && sense == 0) st = stated_sense(v, SEG_APPROACH, &sense, rep);
    if (st != ST_OK) return st;
    if (sense == 0)
        return fail(rep, ST_INPUT,
                    "/approach/z: its direction cannot be told: no curve has two "
                    "different values; set the attribute 'direction' of z");
    for (int id = 0; id < SEG_COUNT && st == ST_OK; id++)
        if (v->facts.seg[id].there) st = check_segment(v, (enum segment_id)id, sense, rep);
    return st;
}
