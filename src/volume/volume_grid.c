#include "volume/volume_private.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum status per_pixel_open(struct volume *v, struct per_pixel *p, const char *name,
                           const char *si_unit, struct report *rep)
{
    bool there;
    enum status st = source_has(&v->source, name, &there, rep);
    if (st != ST_OK || !there) return st;
    if ((st = dataset_open(&p->set, &v->source, name, rep)) != ST_OK) return st;
    if (p->set.rank != 2 || p->set.dims[0] != v->facts.ny || p->set.dims[1] != v->facts.nx) {
        char shape[112];
        dataset_shape(&p->set, shape);
        return fail(rep, ST_INPUT, "%s: has shape %s, expected [ny,nx] = [%zu,%zu] as %s has it",
                    name, shape, v->facts.ny, v->facts.nx, v->seg[SEG_APPROACH].signal.set.name);
    }
    p->scale = (struct unit_scale){1, 0};
    if (si_unit) return dataset_units(&p->set, si_unit, &p->scale, NULL, 0, rep);
    if (p->set.number == NUMBER_float32 || p->set.number == NUMBER_float64)
        return fail(rep, ST_INPUT, "%s: expected whole numbers (an integer type)", name);
    return ST_OK;
}

enum status per_pixel_read(const struct per_pixel *p, struct tile t, double *out,
                           struct report *rep)
{
    size_t start[4] = {t.row0, t.col0}, count[4] = {t.rows, t.cols};
    enum status st = dataset_read(&p->set, start, count, H5T_NATIVE_DOUBLE, out, rep);
    for (size_t i = 0; st == ST_OK && i < t.rows * t.cols; i++)
        out[i] = p->scale.factor * out[i] + p->scale.offset;
    return st;
}

/* Stored positions of pixel centres: finite, all steps of one sign. */
static enum status read_positions(struct volume *v, const char *name, size_t n, double *out,
                                  struct report *rep)
{
    struct dataset d;
    struct unit_scale scale;
    size_t zero[4] = {0};
    enum status st = dataset_open(&d, &v->source, name, rep);
    if (st != ST_OK) return st;
    if (d.rank != 1 || d.dims[0] != n) {
        char shape[112];
        dataset_shape(&d, shape);
        st = fail(rep, ST_INPUT, "%s: has shape %s, but %s needs %zu positions", name, shape,
                  v->seg[SEG_APPROACH].signal.set.name, n);
        goto done;
    }
    if ((st = dataset_units(&d, "m", &scale, NULL, 0, rep)) != ST_OK ||
        (st = dataset_read(&d, zero, &n, H5T_NATIVE_DOUBLE, out, rep)) != ST_OK)
        goto done;
    for (size_t i = 0; i < n && st == ST_OK; i++) {
        out[i] = scale.factor * out[i] + scale.offset;
        if (!isfinite(out[i]))
            st = fail(rep, ST_INPUT, "%s: position %zu is not a finite number", name, i);
        else if (i > 0 && !((out[i] - out[i - 1]) * (out[1] - out[0]) > 0))
            st = fail(rep, ST_INPUT,
                      "%s: positions must be strictly ascending or descending, "
                      "number %zu is not",
                      name, i);
    }
done:
    dataset_close(&d);
    return st;
}

static enum status fill_positions(struct volume *v, const char *name, size_t n, double *out,
                                  struct report *rep)
{
    struct dataset d;
    double pixel_m;
    enum status st = dataset_open(&d, &v->source, name, rep);
    if (st != ST_OK) return st;
    st = dataset_scalar(&d, "m", &pixel_m, NULL, rep);
    dataset_close(&d);
    if (st != ST_OK) return st;
    if (!(pixel_m > 0)) return fail(rep, ST_INPUT, "%s: must be larger than zero", name);
    for (size_t i = 0; i < n; i++)
        out[i] = (double)i * pixel_m;
    return ST_OK;
}

static enum status open_axis(struct volume *v, char axis, size_t n, double **out,
                             struct report *rep)
{
    char list[32], pixel[32];
    bool has_list, has_pixel;
    enum status st;
    snprintf(list, sizeof list, "/grid/%c", axis);
    snprintf(pixel, sizeof pixel, "/grid/pixel_size_%c", axis);
    *out = malloc(n * sizeof **out);
    if (!*out) return fail(rep, ST_MEMORY, "not enough memory for %zu pixel positions", n);
    if ((st = source_has(&v->source, list, &has_list, rep)) != ST_OK) return st;
    if (has_list) return read_positions(v, list, n, *out, rep);
    if ((st = source_has(&v->source, pixel, &has_pixel, rep)) != ST_OK) return st;
    if (has_pixel) return fill_positions(v, pixel, n, *out, rep);
    return fail(rep, ST_INPUT, "%s: is missing, and so is %s: give one of them", list, pixel);
}

enum status volume_open_grid(struct volume *v, struct report *rep)
{
    enum status st;
    if ((st = open_axis(v, 'x', v->facts.nx, &v->x_m, rep)) != ST_OK ||
        (st = open_axis(v, 'y', v->facts.ny, &v->y_m, rep)) != ST_OK ||
        (st = per_pixel_open(v, &v->present, "/grid/present", NULL, rep)) != ST_OK ||
        (st = per_pixel_open(v, &v->z_offset, "/grid/z_offset", "m", rep)) != ST_OK ||
        (st = per_pixel_open(v, &v->thickness, "/grid/thickness", "m", rep)) != ST_OK ||
        (st = per_pixel_open(v, &v->substrate, "/grid/substrate", NULL, rep)) != ST_OK)
        return st;
    v->facts.x_m = v->x_m;
    v->facts.y_m = v->y_m;
    v->facts.has_present = v->present.set.id >= 0;
    v->facts.has_z_offset = v->z_offset.set.id >= 0;
    v->facts.lever.thickness_by_pixel = v->thickness.set.id >= 0;
    v->facts.lever.substrate_marked = v->substrate.set.id >= 0;
    return ST_OK;
}

enum status volume_read_substrate(const struct volume *v, struct tile t, double *marked,
                                  struct report *rep)
{
    for (size_t i = 0; i < t.rows * t.cols; i++)
        marked[i] = 0;
    if (v->substrate.set.id < 0) return ST_OK;
    enum status st = per_pixel_read(&v->substrate, t, marked, rep);
    return st == ST_OK ? st : within(rep, st, "%s: ", v->path);
}

double volume_pixel_pitch(const struct volume_facts *facts)
{
    double least = NAN;
    for (size_t i = 1; i < facts->nx; i++)
        least = fmin(least, fabs(facts->x_m[i] - facts->x_m[i - 1]));
    for (size_t i = 1; i < facts->ny; i++)
        least = fmin(least, fabs(facts->y_m[i] - facts->y_m[i - 1]));
    return least; /* fmin passes the number on when the other is NaN */
}
