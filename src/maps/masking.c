#include "maps/masking.h"

#include "base/files.h"
#include "base/guard.h"
#include "base/output_file.h"
#include "base/units.h"
#include "maps/h5get.h"
#include "maps/h5put.h"
#include "review/mask.h"

static enum status read_plane(hid_t file, const char *path, const size_t dims[2], double **out,
                              struct report *rep)
{
    H5T_class_t class;
    void *value = NULL;
    enum status st = h5get_class(file, path, &class, rep);
    /* H5T_ENUM: what h5py makes of an array of booleans */
    if (st == ST_OK && class != H5T_INTEGER && class != H5T_FLOAT && class != H5T_ENUM)
        st = fail(rep, ST_INPUT, "%s: expected numbers, 0 = not chosen", path);
    if (st == ST_OK)
        st = h5get_array(file, path, class, H5T_NATIVE_DOUBLE, 2, dims, &value, NULL, rep);
    *out = value;
    if (st == ST_INPUT && class != H5T_STRING)
        return within(rep, st, "a mask of %zu rows and %zu columns: ", dims[0], dims[1]);
    return st;
}

static enum status read_source(const struct maps_view *v, struct mask_source *s, struct report *rep)
{
    const size_t dims[2] = {v->ny, v->nx};
    h5put_quiet();
    if (file_check(s->file, "an HDF5 file", NULL, rep) != ST_OK)
        return within(rep, ST_INPUT, "%s: ", s->file);
    guard_file(s->file);
    hid_t file = H5Fis_hdf5(s->file) > 0 ? h5put_open(s->file) : H5I_INVALID_HID;
    enum status st = file < 0 ? fail(rep, ST_INPUT, "this is not an HDF5 file")
                              : read_plane(file, s->path, dims, &s->value, rep);
    if (file >= 0) H5Fclose(file);
    guard_file(NULL);
    return st == ST_OK ? st : within(rep, st, "%s: ", s->file);
}

enum status maps_mask_spares(const char *text, const char *output, struct report *rep)
{
    struct mask *mask = NULL;
    if (!text || !output) return ST_OK;
    enum status st = mask_parse(&mask, text, rep);
    for (size_t i = 0; st == ST_OK && i < mask_sources(mask); i++)
        st = output_check(output, mask_source(mask, i)->file, true, rep);
    mask_free(&mask);
    return st;
}

enum status maps_view_factors(const struct maps_view *v, double factor[MAP_COUNT],
                              struct report *rep)
{
    for (int i = 0; i < MAP_COUNT; i++) {
        struct unit_scale scale = {1, 0};
        if (v->unit[i][0] && units_scale(v->unit[i], map_rows[i].si_unit, &scale, rep) != ST_OK)
            return within(rep, ST_INPUT, "%s: %s: ", v->path, map_rows[i].name);
        factor[i] = scale.factor;
    }
    return ST_OK;
}

enum status maps_mask(const struct maps_view *v, const char *text, uint8_t *out, size_t *chosen,
                      struct report *rep)
{
    struct mask *mask;
    struct mask_grid grid = {.ny = v->ny,
                             .nx = v->nx,
                             .y_m = v->y_m,
                             .x_m = v->x_m,
                             .flags = v->flags,
                             .state = v->state};
    for (int i = 0; i < MAP_COUNT; i++) {
        grid.map[i] = v->map[i];
        grid.error[i] = v->error[i];
    }
    enum status st = mask_parse(&mask, text, rep);
    if (st == ST_OK) st = maps_view_factors(v, grid.factor, rep);
    for (size_t i = 0; st == ST_OK && i < mask_sources(mask); i++)
        st = read_source(v, mask_source(mask, i), rep);
    if (st == ST_OK) st = mask_apply(mask, &grid, out, rep);
    mask_free(&mask);
    if (chosen) *chosen = 0;
    for (size_t i = 0; chosen && st == ST_OK && i < v->ny * v->nx; i++)
        *chosen += out[i];
    return st;
}
