/* The layout of a copy: datasets, attributes, what all curves share, calibration, notes. */
#include "volume/put.h"
#include "volume/volume_copy_private.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A chunk holds whole curves of one row, up to this size. */
static const size_t chunk_bytes = (size_t)1 << 20;
/* An attribute is kept in the object's header, which has no room for more. */
static const size_t longest_note = 60000;

enum status copy_cannot_write(const char *what, struct report *rep)
{
    return fail(rep, ST_OUTPUT, "%s cannot be written; is the disk full?", what);
}

/* --- which arrays there are --- */

struct samples *copy_array(struct copy *c, size_t i)
{
    struct segment *seg = &c->v->seg[i / 3];
    struct samples *each[3] = {&seg->signal, &seg->z, &seg->lateral};
    return each[i % 3]->set.id >= 0 ? each[i % 3] : NULL;
}

struct per_pixel *copy_number(struct copy *c, size_t i)
{
    struct segment *seg = &c->v->seg[i < SINGLE ? 0 : (i - SINGLE) / 3];
    struct per_pixel *single[SINGLE] = {&c->v->present, &c->v->z_offset, &c->v->thickness,
                                        &c->v->substrate};
    struct per_pixel *each[3] = {&seg->length, &seg->start, &seg->step};
    struct per_pixel *p = i < SINGLE ? single[i] : each[(i - SINGLE) % 3];
    return p->set.id >= 0 ? p : NULL;
}

bool copy_is_length(size_t i)
{
    return i >= SINGLE && (i - SINGLE) % 3 == 0;
}

bool copy_is_whole(size_t i)
{
    return i == 0 || i == 3 || copy_is_length(i);
}

/* --- attributes as they are --- */

/* Numbers and text are copied; references to other objects (dimension scales) would be wrong here.
 */
static herr_t copy_attribute(hid_t from, const char *name, const H5A_info_t *info, void *to)
{
    static const char *const left_out[] = {"CLASS", "NAME", "DIMENSION_LIST", "REFERENCE_LIST",
                                           "DIMENSION_LABELS"};
    herr_t result = -1;
    (void)info;
    for (size_t i = 0; i < sizeof left_out / sizeof *left_out; i++)
        if (strcmp(name, left_out[i]) == 0) return 0;
    hid_t attribute = H5Aopen(from, name, H5P_DEFAULT), copy = H5I_INVALID_HID;
    hid_t type = attribute < 0 ? H5I_INVALID_HID : H5Aget_type(attribute);
    hid_t space = attribute < 0 ? H5I_INVALID_HID : H5Aget_space(attribute);
    H5T_class_t class = type < 0 ? H5T_NO_CLASS : H5Tget_class(type);
    hssize_t n = space < 0 ? 0 : H5Sget_simple_extent_npoints(space);
    void *data = NULL;
    if (class != H5T_INTEGER && class != H5T_FLOAT && class != H5T_STRING) {
        result = type < 0 ? -1 : 0;
        goto done;
    }
    data = calloc((size_t)(n > 0 ? n : 1), H5Tget_size(type));
    copy = H5Acreate2(*(hid_t *)to, name, type, space, H5P_DEFAULT, H5P_DEFAULT);
    if (data && copy >= 0 && H5Aread(attribute, type, data) >= 0) {
        result = H5Awrite(copy, type, data) < 0 ? -1 : 0;
        if (H5Tis_variable_str(type) > 0) H5Dvlen_reclaim(type, space, H5P_DEFAULT, data);
    }
done:
    free(data);
    if (copy >= 0) H5Aclose(copy);
    if (space >= 0) H5Sclose(space);
    if (type >= 0) H5Tclose(type);
    if (attribute >= 0) H5Aclose(attribute);
    return result;
}

static bool copy_attributes(hid_t from, hid_t to)
{
    hsize_t at = 0;
    return H5Aiterate2(from, H5_INDEX_NAME, H5_ITER_NATIVE, &at, copy_attribute, &to) >= 0;
}

/* --- the layout of the copy --- */

static hid_t set_storage(const struct copy *c, const struct samples *s, int rank, hsize_t *dims)
{
    size_t curve = 1;
    hid_t how = H5Pcreate(H5P_DATASET_CREATE);
    for (int i = 2; i < rank; i++)
        curve *= dims[i];
    size_t curves = chunk_bytes / (curve * number_size(s->set.number));
    hsize_t chunk[4] = {1,
                        curves < 1       ? 1
                        : curves > c->nx ? c->nx
                                         : curves,
                        dims[2], rank > 3 ? dims[3] : 1};
    bool good = how >= 0;
    if (good && c->job->storage == STORAGE_CONTIGUOUS)
        good = H5Pset_alloc_time(how, H5D_ALLOC_TIME_EARLY) >= 0 &&
               H5Pset_fill_time(how, H5D_FILL_TIME_NEVER) >= 0;
    else if (good)
        good = H5Pset_chunk(how, rank, chunk) >= 0;
    if (good && c->job->storage == STORAGE_DEFLATE)
        good = H5Pset_shuffle(how) >= 0 && H5Pset_deflate(how, 4) >= 0;
    if (good) return how;
    if (how >= 0) H5Pclose(how);
    return H5I_INVALID_HID;
}

static enum status make_array(struct copy *c, size_t i, struct report *rep)
{
    const struct samples *s = copy_array(c, i);
    if (!s) return ST_OK;
    int rank = s->set.rank;
    hsize_t dims[4] = {c->ny, c->nx, copy_share(s->set.dims[2], c->cut.every_sample),
                       s->set.dims[3]};
    hid_t how = set_storage(c, s, rank, dims);
    if (how >= 0)
        c->array[i] = put_dataset(c->file, s->set.name, number_memory(s->set.number), rank, dims,
                                  how);
    if (how >= 0) H5Pclose(how);
    return c->array[i] >= 0 && copy_attributes(s->set.id, c->array[i])
               ? ST_OK
               : copy_cannot_write(s->set.name, rep);
}

static enum status make_number(struct copy *c, size_t i, struct report *rep)
{
    const struct per_pixel *p = copy_number(c, i);
    hsize_t dims[2] = {c->ny, c->nx};
    if (!p) return ST_OK;
    c->number[i] = put_dataset(c->file, p->set.name,
                               copy_is_length(i)  ? H5T_STD_I32LE
                               : copy_is_whole(i) ? H5T_STD_U8LE
                                                  : H5T_IEEE_F64LE,
                               2, dims, H5P_DEFAULT);
    /* read in SI, so written in SI */
    bool good = c->number[i] >= 0 && (copy_is_whole(i) || put_text(c->number[i], "units", "m"));
    return good ? ST_OK : copy_cannot_write(p->set.name, rep);
}

/* What all curves of a segment share: ramp, start and step, interval. */
static enum status put_shared(struct copy *c, enum segment_id id, struct report *rep)
{
    const struct segment *seg = &c->v->seg[id];
    const struct segment_facts *f = &c->v->facts.seg[id];
    size_t every = c->cut.every_sample;
    hsize_t n = copy_share(seg->n, every);
    char name[64];
    bool good = true;
    snprintf(name, sizeof name, "/%s/z", segment_names[id]);
    if (seg->ramp) {
        double *ramp = malloc(n * sizeof *ramp);
        if (!ramp) return fail(rep, ST_MEMORY, "not enough memory for a ramp of %zu", seg->n);
        for (size_t i = 0; i < n; i++)
            ramp[i] = f->z_sense * seg->ramp[i * every];
        good = put_values(c->file, name, 1, &n, ramp, "m", NAN);
        free(ramp);
    } else if (f->z_kind == Z_START_STEP) {
        double step = seg->step_m * (double)every;
        snprintf(name, sizeof name, "/%s/z_start", segment_names[id]);
        if (seg->start.set.id < 0)
            good = put_values(c->file, name, 0, NULL, &seg->start_m, "m", NAN);
        snprintf(name, sizeof name, "/%s/z_step", segment_names[id]);
        if (good && seg->step.set.id < 0)
            good = put_values(c->file, name, 0, NULL, &step, "m", NAN);
    }
    if (good && isfinite(f->sample_interval_s)) {
        double interval = f->sample_interval_s * (double)every;
        snprintf(name, sizeof name, "/%s/sample_interval", segment_names[id]);
        good = put_values(c->file, name, 0, NULL, &interval, "s", NAN);
    }
    return good ? ST_OK : copy_cannot_write(name, rep);
}

/* What the source states of z must stand in the copy too: a curve that does not move tells nothing,
 * and attributes of numbers are not copied. */
static enum status put_direction(struct copy *c, struct report *rep)
{
    static const char *const names[] = {"/approach/z", "/approach/z_start"};
    const char *word = c->v->facts.seg[SEG_APPROACH].z_sense > 0 ? "toward_sample"
                                                                 : "away_from_sample";
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        if (H5Lexists(c->file, names[i], H5P_DEFAULT) <= 0) continue;
        hid_t set = H5Dopen2(c->file, names[i], H5P_DEFAULT);
        bool good = set >= 0 &&
                    (H5Aexists(set, "direction") > 0 || put_text(set, "direction", word));
        if (set >= 0) H5Dclose(set);
        if (!good) return copy_cannot_write(names[i], rep);
    }
    return ST_OK;
}

static enum status put_axis(struct copy *c, const char *name, const double *from, size_t first,
                            size_t n, size_t every, struct report *rep)
{
    hsize_t count = n;
    double *x = malloc(n * sizeof *x);
    if (!x) return fail(rep, ST_MEMORY, "not enough memory for %zu positions", n);
    for (size_t i = 0; i < n; i++)
        x[i] = from[first + i * every];
    bool good = put_values(c->file, name, 1, &count, x, "m", NAN);
    free(x);
    return good ? ST_OK : copy_cannot_write(name, rep);
}

/* What the spring constant says besides its value must fit the values that are there now. */
static enum status put_pair(struct copy *c, struct report *rep)
{
    static const char name[] = "/calibration/spring_constant";
    struct lever now = c->v->facts.lever;
    if (c->job->calibration) lever_over(&now, c->job->calibration);
    if (!isfinite(now.item[LEVER_spring_constant].value)) return ST_OK;
    hid_t set = H5Dopen2(c->file, name, H5P_DEFAULT);
    bool good = set >= 0 && put_spring_notes(set, &now);
    if (set >= 0) H5Dclose(set);
    return good ? ST_OK : copy_cannot_write(name, rep);
}

/* A value that was given wins; the others are copied with all that stands beside them. */
static enum status put_calibration(struct copy *c, struct report *rep)
{
    char name[64];
    for (int i = 0; i < LEVER_COUNT; i++) {
        const struct known *given = c->job->calibration ? &c->job->calibration->item[i] : NULL;
        bool good = true;
        snprintf(name, sizeof name, "/calibration/%s", lever_rows[i].name);
        if (given && isfinite(given->value)) {
            good = put_values(c->file, name, 0, NULL, &given->value, lever_rows[i].si_unit,
                              given->u);
        } else if (isfinite(c->v->facts.lever.item[i].value)) {
            hid_t links = H5Pcreate(H5P_LINK_CREATE);
            good = links >= 0 && H5Pset_create_intermediate_group(links, 1) >= 0 &&
                   H5Ocopy(c->v->source.file, name, c->file, name, H5P_DEFAULT, links) >= 0;
            if (links >= 0) H5Pclose(links);
        }
        if (!good) return copy_cannot_write(name, rep);
    }
    return put_pair(c, rep);
}

static enum status put_notes(struct copy *c, struct report *rep)
{
    hid_t group = H5Gcreate2(c->file, "provenance", H5P_DEFAULT, H5P_DEFAULT, H5P_DEFAULT);
    bool good = group >= 0;
    for (size_t i = 0; i < c->job->notes && good; i++)
        good = strlen(c->job->note[i].text) < longest_note &&
               put_text(group, c->job->note[i].name, c->job->note[i].text);
    if (group >= 0) H5Gclose(group);
    return good ? ST_OK : copy_cannot_write("/provenance", rep);
}

enum status copy_make_layout(struct copy *c, struct report *rep)
{
    enum status st = ST_OK;
    const struct volume_facts *f = &c->v->facts;
    if (!put_text(c->file, "layout", "cantle-volume-1") || !put_text(c->file, "title", f->title))
        return copy_cannot_write("the title", rep);
    for (size_t i = 0; i < ARRAYS && st == ST_OK; i++)
        st = make_array(c, i, rep);
    for (size_t i = 0; i < NUMBERS && st == ST_OK; i++)
        st = make_number(c, i, rep);
    for (int id = 0; id < SEG_COUNT && st == ST_OK; id++)
        if (f->seg[id].there) st = put_shared(c, (enum segment_id)id, rep);
    if (st == ST_OK) st = put_direction(c, rep);
    if (st == ST_OK) st = put_axis(c, "/grid/x", f->x_m, c->cut.col0, c->nx, c->cut.every_col, rep);
    if (st == ST_OK) st = put_axis(c, "/grid/y", f->y_m, c->cut.row0, c->ny, c->cut.every_row, rep);
    if (st == ST_OK) st = put_calibration(c, rep);
    return st == ST_OK ? put_notes(c, rep) : st;
}
