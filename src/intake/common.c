/* What all kinds of source have in common: title, calibration, grid, stage and sign. */
#include "intake/build.h"
#include "intake/intake.h"
#include "volume/attributes.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

const char *const intake_segments[SEG_COUNT] = {"approach", "dwell", "retract"};

/* --- calibration --- */

/* Not every value of a lever has keys of its own; a lever file may hold any of them. */
static const struct {
    bool there;
    enum intake_key value, u;
} lever_keys[LEVER_COUNT] = {
#define KEYS(K, name, unit, words)                                                                 \
    [LEVER_##name] = {true, IN_calibration_##name, IN_calibration_##name##_u},
    KEYS(K, deflection_sensitivity, , ) KEYS(K, quadrant_sensitivity, , )
        KEYS(K, spring_constant, , ) KEYS(K, tilt, , ) KEYS(K, tip_radius, , )
            KEYS(K, tip_half_angle, , ) KEYS(K, tip_face_angle, , ) KEYS(K, sample_thickness, , )
                KEYS(K, poisson_ratio, , )
#undef KEYS
};

static bool given(const struct description *d, enum lever_item item, bool u)
{
    return lever_keys[item].there && d->v[u ? lever_keys[item].u : lever_keys[item].value].given;
}

/* What the lever file knows; keys of the description come over it. */
static struct known from_file(const struct description *d, enum lever_item item)
{
    const struct lever_record *r = d->levers ? lever_file_find(d->levers, lever_rows[item].name)
                                             : NULL;
    return r ? (struct known){r->value, r->u, "lever file"} : (struct known){NAN, NAN, ""};
}

/* Tilt and correlation go with the values of the lever file, as long as these are used. */
static void pair_of(const struct description *d, struct lever *out)
{
    bool k = !given(d, LEVER_spring_constant, false),
         s = !given(d, LEVER_deflection_sensitivity, false);
    bool whole = !given(d, LEVER_spring_constant, true) &&
                 !given(d, LEVER_deflection_sensitivity, true);
    if (d->levers) lever_file_pair(d->levers, k, k && s && whole, out);
}

static enum status put_pair(struct build *b, struct report *rep)
{
    struct lever pair;
    lever_clear(&pair);
    pair_of(b->d, &pair);
    return skeleton_spring_notes(b->sk, &pair, rep);
}

static enum status put_calibration(struct build *b, struct report *rep)
{
    enum status st = ST_OK;
    char name[64];
    for (int i = 0; i < LEVER_COUNT && st == ST_OK; i++) {
        struct known k = from_file(b->d, (enum lever_item)i), own = {NAN, NAN, ""};
        if (lever_keys[i].there) {
            st = build_number(b, lever_keys[i].value, &own.value, rep);
            if (st == ST_OK) st = build_number(b, lever_keys[i].u, &own.u, rep);
        }
        if (!isnan(own.value))
            k = own;
        else if (!isnan(own.u))
            k.u = own.u;
        if (st != ST_OK || isnan(k.value)) continue;
        snprintf(name, sizeof name, "/calibration/%s", lever_rows[i].name);
        st = skeleton_numbers(b->sk, name, 0, NULL, &k.value, lever_rows[i].si_unit, k.u, rep);
    }
    return st == ST_OK ? put_pair(b, rep) : st;
}

enum status intake_calibration(const struct description *d, struct lever *out, struct report *rep)
{
    lever_clear(out);
    for (int i = 0; i < LEVER_COUNT; i++) {
        struct known *k = &out->item[i];
        *k = from_file(d, (enum lever_item)i);
        if (!lever_keys[i].there) continue;
        const struct place *value = &d->v[lever_keys[i].value].place,
                           *u = &d->v[lever_keys[i].u].place;
        bool is_value = given(d, (enum lever_item)i, false),
             stated = u->kind == PLACE_quantity && given(d, (enum lever_item)i, true);
        if (is_value && value->kind != PLACE_quantity) { /* it lies in the source, and wins there */
            *k = (struct known){NAN, NAN, ""};
            continue;
        }
        if (is_value) *k = (struct known){value->si, NAN, "description"};
        if (isnan(k->value)) continue;
        if (stated) k->u = u->si;
        enum status st = lever_check((enum lever_item)i, k, rep);
        if (st != ST_OK)
            return description_at(d, is_value ? lever_keys[i].value : lever_keys[i].u, ST_RECIPE,
                                  rep);
    }
    pair_of(d, out);
    return ST_OK;
}

/* --- one number for each pixel --- */

/* none: where there is no curve. scalar: one number for all stays one number. */
static enum status put_pixels(struct build *b, enum intake_key key, const char *name,
                              const char *unit, double none, bool scalar, struct report *rep)
{
    const size_t dims[2] = {b->px.ny, b->px.nx};
    size_t n, expected = b->px.list ? b->px.list->n : b->px.ny * b->px.nx;
    double *values, *all = NULL;
    enum status st = build_numbers(b, key, expected, &values, &n, rep);
    if (st != ST_OK || n == 0) return st;
    if (scalar && n == 1) {
        st = skeleton_numbers(b->sk, name, 0, NULL, values, unit, NAN, rep);
    } else {
        st = pixels_spread(&b->px, values, n, none, &all, rep);
        if (st != ST_OK)
            st = description_at(b->d, key, st, rep);
        else
            st = skeleton_numbers(b->sk, name, 2, dims, all, unit, NAN, rep);
    }
    free(all);
    free(values);
    return st;
}

enum status build_segment_numbers(struct build *b, enum segment_id id, bool own_lengths,
                                  struct report *rep)
{
    static const struct {
        enum intake_key key;
        const char *leaf, *unit;
    } rows[] = {{IN_approach_length, "length", NULL},
                {IN_approach_z_start, "z_start", "m"},
                {IN_approach_z_step, "z_step", "m"},
                {IN_approach_interval, "sample_interval", "s"}};
    enum status st = ST_OK;
    char name[64];
    for (size_t i = 0; i < sizeof rows / sizeof *rows && st == ST_OK; i++) {
        enum intake_key key = intake_key_of(id, rows[i].key);
        if (i == 0 && own_lengths) continue;
        snprintf(name, sizeof name, "/%s/%s", intake_segments[id], rows[i].leaf);
        if (rows[i].key == IN_approach_interval) {
            double interval;
            st = build_number(b, key, &interval, rep);
            if (st == ST_OK && isfinite(interval))
                st = skeleton_numbers(b->sk, name, 0, NULL, &interval, "s", NAN, rep);
        } else {
            st = put_pixels(b, key, name, rows[i].unit, 0, i > 0, rep);
        }
    }
    return st;
}

/* --- samples --- */

enum status build_packing(struct build *b, const char *name, enum intake_key scale,
                          const struct array *a, const char *unit, struct report *rep)
{
    static const char *const attributes[] = {"scale_factor", "add_offset", "missing_value",
                                             "valid_min", "valid_max"};
    int keys = scale == IN_signal_scale_factor ? 5 : scale == IN_z_scale_factor ? 2 : 0;
    enum status st = skeleton_text(b->sk, name, "units", unit, rep);
    for (int i = 0; i < 5 && st == ST_OK; i++) {
        double value;
        bool there = false;
        if (i < keys && build_value(b, (enum intake_key)((int)scale + i))->set) {
            value = build_value(b, (enum intake_key)((int)scale + i))->number;
            there = true;
        } else if (a && a->attributes >= 0) {
            st = attribute_numbers(a->attributes, attributes[i], &value, 1, &there, rep);
        }
        if (st == ST_OK && there) st = skeleton_number(b->sk, name, attributes[i], value, rep);
    }
    if (st == ST_OK && a && a->attributes >= 0) {
        double fill;
        bool there;
        st = attribute_numbers(a->attributes, "_FillValue", &fill, 1, &there, rep);
        if (st == ST_OK && there) st = skeleton_number(b->sk, name, "_FillValue", fill, rep);
    }
    return st;
}

enum status build_stage(struct build *b, enum segment_id id, struct report *rep)
{
    char name[64];
    const struct intake_value *start = build_value(b, intake_key_of(id, IN_approach_z_start));
    snprintf(name, sizeof name, "/%s/signal", intake_segments[id]);
    enum status st = skeleton_text(b->sk, name, "stage", build_value(b, IN_signal_stage)->text,
                                   rep);
    if (st == ST_OK)
        st = skeleton_text(b->sk, name, "repulsion", build_value(b, IN_signal_repulsion)->text,
                           rep);
    snprintf(name, sizeof name, "/%s/%s", intake_segments[id], start->set ? "z_start" : "z");
    if (st == ST_OK)
        st = skeleton_text(b->sk, name, "direction", build_value(b, IN_z_direction)->text, rep);
    return st;
}

/* --- all of it --- */

enum status build_common(struct build *b, struct report *rep)
{
    double size_x, size_y;
    enum status st;
    const char *slash = strrchr(b->path, '/');
    char title[300];
    snprintf(title, sizeof title, "imported from %s", slash && slash[1] ? slash + 1 : b->path);
    const struct intake_value *given = build_value(b, IN_source_title);
    if ((st = skeleton_text(b->sk, "/", "title", given->set ? given->text : title, rep)) != ST_OK ||
        (st = build_number(b, IN_grid_pixel_size_x, &size_x, rep)) != ST_OK ||
        (st = build_number(b, IN_grid_pixel_size_y, &size_y, rep)) != ST_OK ||
        (st = pixels_put(b->d, &b->px, size_x, size_y, b->sk, rep)) != ST_OK ||
        (st = put_calibration(b, rep)) != ST_OK ||
        (st = put_pixels(b, IN_grid_z_offset, "/grid/z_offset", "m", 0, false, rep)) != ST_OK ||
        (st = put_pixels(b, IN_grid_thickness, "/grid/thickness", "m", NAN, false, rep)) != ST_OK ||
        (st = put_pixels(b, IN_grid_substrate, "/grid/substrate", NULL, 0, false, rep)) != ST_OK)
        return st;
    bool gaps = b->px.list && b->px.list->n != b->px.ny * b->px.nx;
    return gaps ? ST_OK : put_pixels(b, IN_grid_present, "/grid/present", NULL, 0, false, rep);
}
