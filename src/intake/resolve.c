/* From a place to its numbers, for sources that are arrays. */
#include "base/units.h"
#include "intake/build.h"
#include "volume/attributes.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static const size_t most_numbers = (size_t)1 << 27;

const struct intake_value *build_value(const struct build *b, enum intake_key key)
{
    return &b->d->v[key];
}

static enum status unfit(const struct build *b, const struct place *p, struct report *rep)
{
    (void)p;
    return fail(rep, ST_RECIPE, "this kind of place does not go with source.kind %s",
                build_value(b, IN_source_kind)->text);
}

/* FOLDER/NAME when the source is a folder, else NAME beside the source. */
static void file_beside(const struct build *b, const char *name, char *out, size_t size)
{
    const char *slash = strrchr(b->path, '/');
    int folder = b->folder ? (int)strlen(b->path) : slash ? (int)(slash - b->path) : 0;
    snprintf(out, size, "%.*s%s%s", folder, b->path, folder ? "/" : "", name);
}

static size_t side_of(const struct build *b, const struct axes *axes, int i, enum intake_key key)
{
    const struct intake_value *rows = build_value(b, IN_grid_rows),
                              *columns = build_value(b, IN_grid_columns);
    size_t ny = rows->set ? (size_t)rows->number : 0;
    size_t nx = columns->set ? (size_t)columns->number : 0;
    int segment = key >= IN_retract_signal ? SEG_RETRACT : key >= IN_dwell_signal ? SEG_DWELL : 0;
    const struct intake_value *n = build_value(b, intake_key_of(segment, IN_approach_sample_count));
    switch (axes->role[i]) {
    case AXIS_ROW:
        return ny;
    case AXIS_COLUMN:
        return nx;
    case AXIS_CURVE:
        return ny * nx;
    case AXIS_SAMPLE:
        return n->set ? (size_t)n->number : 0;
    case AXIS_QUADRANT:
        return 4;
    default:
        return axes->of[i];
    }
}

static enum status open_raw(const struct build *b, enum intake_key key, const char *path,
                            const struct axes *axes, struct array **out, struct report *rep)
{
    const struct place *p = &build_value(b, key)->place;
    struct stat facts;
    size_t dims[MOST_RANK];
    for (int i = 0; i < axes->rank; i++) {
        dims[i] = side_of(b, axes, i, key);
        if (dims[i] == 0)
            return fail(rep, ST_RECIPE,
                        "the length of axis %d is not known: give grid.rows and grid.columns, "
                        "sample_count of the segment, and write '2 of 5' for an axis of which one "
                        "index is taken",
                        i + 1);
    }
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0 || fstat(fd, &facts) != 0) {
        if (fd >= 0) close(fd);
        return fail(rep, ST_INPUT, "%s: cannot be read: %s", path, strerror(errno));
    }
    const uint16_t probe = 1;
    bool host_is_little = *(const unsigned char *)&probe == 1;
    bool little = build_value(b, IN_source_byte_order)->choice != 1;
    uint64_t offset = p->at >= 0 ? (uint64_t)p->at
                                 : (uint64_t)build_value(b, IN_source_header_bytes)->number;
    return array_bytes(out, fd, (uint64_t)facts.st_size, path,
                       (enum number)build_value(b, IN_source_type)->choice,
                       little != host_is_little, offset, axes->rank, dims, rep);
}

enum status build_array(struct build *b, enum intake_key key, const struct axes *axes,
                        struct array **out, struct report *rep)
{
    const struct place *p = &build_value(b, key)->place;
    char path[4096 + 256];
    enum status st;
    *out = NULL;
    if (b->kind == SOURCE_HDF5 && p->kind == PLACE_path && !*p->attribute) {
        st = array_hdf5(out, &b->hdf5, p->what, rep);
    } else if (p->kind == PLACE_data || p->kind == PLACE_file || p->kind == PLACE_member) {
        snprintf(path, sizeof path, "%s", b->path);
        if (p->kind == PLACE_file) file_beside(b, p->what, path, sizeof path);
        if (p->kind != PLACE_file && b->folder)
            st = fail(rep, ST_RECIPE, "the source is a folder: write 'file NAME'");
        else if (b->kind == SOURCE_NPY)
            st = array_npy(out, path, p->kind == PLACE_member ? p->what : "", rep);
        else if (b->kind == SOURCE_RAW && p->kind != PLACE_member)
            st = open_raw(b, key, path, axes, out, rep);
        else
            st = unfit(b, p, rep);
    } else {
        st = unfit(b, p, rep);
    }
    return st == ST_OK ? st : description_at(b->d, key, st, rep);
}

enum status build_unit(struct build *b, enum intake_key key, const struct array *a, char unit[64],
                       struct report *rep)
{
    const struct place *p = &build_value(b, key)->place;
    const char *attribute = *p->unit == '@' ? p->unit + 1 : "units";
    snprintf(unit, 64, "%s", p->unit);
    if (*unit && *unit != '@') return ST_OK;
    *unit = 0;
    if (a && a->attributes >= 0) {
        enum status st = attribute_text(a->attributes, attribute, unit, 64, rep);
        if (st != ST_OK) return description_at(b->d, key, st, rep);
    }
    if (*unit) return ST_OK;
    return description_at(b->d, key,
                          fail(rep, ST_RECIPE,
                               "its unit is not known: write it behind the place, like '%s in %s'",
                               build_value(b, key)->text,
                               *intake_rows[key].unit == '*' ? "V" : intake_rows[key].unit),
                          rep);
}

/* A number in an attribute, or a text like "0.35 N/m". */
static enum status read_attribute(struct build *b, enum intake_key key, double *si,
                                  struct report *rep)
{
    const struct place *p = &build_value(b, key)->place;
    const char *si_unit = intake_rows[key].unit;
    struct unit_scale scale = {1, 0};
    char text[128];
    bool there;
    enum status st = source_has(&b->hdf5, p->what, &there, rep);
    if (st != ST_OK) return st;
    hid_t object = there ? H5Oopen(b->hdf5.file, p->what, b->hdf5.access) : H5I_INVALID_HID;
    if (object < 0) return fail(rep, ST_INPUT, "there is no %s in the file", p->what);
    if (!attribute_there(object, p->attribute))
        st = fail(rep, ST_INPUT, "%s has no attribute '%s'", p->what, p->attribute);
    else if (attribute_text(object, p->attribute, text, sizeof text, rep) == ST_OK && !*p->unit)
        st = units_quantity(text, si_unit, si, rep);
    else if ((st = attribute_numbers(object, p->attribute, si, 1, &there, rep)) == ST_OK) {
        if (!*p->unit && strcmp(si_unit, "1") != 0)
            st = fail(rep, ST_RECIPE,
                      "its unit is not known: write it behind the place, like 'in %s'", si_unit);
        else if (*p->unit == '@')
            st = attribute_text(object, p->unit + 1, text, sizeof text, rep);
        else
            snprintf(text, sizeof text, "%s", *p->unit ? p->unit : "1");
        if (st == ST_OK) st = units_scale(text, si_unit, &scale, rep);
        *si = scale.factor * *si + scale.offset;
    }
    H5Oclose(object);
    return st;
}

static enum status read_array(struct build *b, enum intake_key key, size_t expected, double **si,
                              size_t *n, struct report *rep)
{
    struct axes axes = {.rank = 1, .role = {AXIS_FIXED}, .of = {expected ? expected : 1}};
    const char *si_unit = intake_rows[key].unit;
    struct unit_scale scale = {1, 0};
    struct array *a;
    char unit[64] = "1";
    enum status st = build_array(b, key, &axes, &a, rep);
    if (st != ST_OK) return st;
    if (strcmp(si_unit, "1") != 0) {
        st = build_unit(b, key, a, unit, rep);
        if (st == ST_OK && units_scale(unit, si_unit, &scale, rep) != ST_OK)
            st = description_at(b->d, key, ST_INPUT, rep);
    }
    if (st == ST_OK) st = array_doubles(a, most_numbers, si, n, rep);
    if (st == ST_OK && *n == 0) st = fail(rep, ST_INPUT, "%s: it holds no numbers", a->name);
    if (st != ST_OK) {
        free(*si);
        *si = NULL;
    }
    a->drop(a);
    for (size_t i = 0; st == ST_OK && i < *n; i++)
        (*si)[i] = scale.factor * (*si)[i] + scale.offset;
    return st;
}

enum status build_numbers(struct build *b, enum intake_key key, size_t expected, double **si,
                          size_t *n, struct report *rep)
{
    const struct intake_value *v = build_value(b, key);
    *si = NULL;
    *n = 0;
    if (!v->set) return ST_OK;
    bool one = v->place.kind == PLACE_quantity ||
               (v->place.kind == PLACE_path && *v->place.attribute && b->kind == SOURCE_HDF5);
    if (!one && b->kind == SOURCE_TEXT) return curve_files_numbers(b, key, si, n, rep);
    if (!one) return read_array(b, key, expected, si, n, rep);
    *si = malloc(sizeof **si);
    if (!*si) return fail(rep, ST_MEMORY, "not enough memory for a number");
    *n = 1;
    if (v->place.kind == PLACE_quantity) {
        **si = v->place.si;
        return ST_OK;
    }
    enum status st = read_attribute(b, key, *si, rep);
    if (st == ST_OK) return st;
    free(*si);
    *si = NULL;
    return description_at(b->d, key, st, rep);
}

enum status build_number(struct build *b, enum intake_key key, double *si, struct report *rep)
{
    double *values;
    size_t n;
    *si = NAN;
    enum status st = build_numbers(b, key, 1, &values, &n, rep);
    if (st != ST_OK || n == 0) return st;
    *si = values[0];
    for (size_t i = 1; i < n && st == ST_OK; i++)
        if (values[i] != values[0])
            st = description_at(b->d, key,
                                fail(rep, ST_INPUT,
                                     "one number is wanted, but it is %g and %g in different "
                                     "places (SI)",
                                     values[0], values[i]),
                                rep);
    free(values);
    return st;
}
