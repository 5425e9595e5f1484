#include "maps/maps_private.h"

#include "base/output_file.h"
#include "base/watch.h"
#include "maps/agree.h"
#include "maps/budget_file.h"
#include "maps/parent.h"
#include "maps/planes.h"
#include "maps/provenance.h"
#include "maps/pulse.h"
#include "maps/surface.h"
#include "maps/tip_watch.h"

#include <hdf5_hl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* One finishing: from PATH.part to PATH.finishing-XXXXXXXX. */
struct finishing {
    const struct maps *m;
    const struct budget *budget; /* NULL: none */
    hid_t from;                  /* PATH.part */
    struct h5put p;              /* p.file is the new file */
    size_t n;                    /* pixels */
    float *plane;                /* [n] */
    double *height, *slope;      /* [n]: um, NaN where not to be used; rad */
    uint64_t *flags;             /* [n] */
    uint8_t *state;              /* [n] */
    struct maps_summary *summary;
    struct planes_found found;
};

static void read_back(struct finishing *f, const char *path, hid_t type, void *out)
{
    char cause[200];
    if (f->p.st != ST_OK) return;
    hid_t set = H5Dopen2(f->from, path, H5P_DEFAULT);
    if (set < 0 || H5Dread(set, type, H5S_ALL, H5S_ALL, H5P_DEFAULT, out) < 0) {
        h5put_cause(cause, sizeof cause);
        f->p.st = fail(f->p.rep, ST_OUTPUT, "%s cannot be read back: %s", path, cause);
    }
    h5put_close(&f->p, &set);
}

/* What needs the neighbours, and so all pixels: the surface's slope, and the flag that follows. */
static void find_slope(struct finishing *f)
{
    const struct maps_layout *l = &f->m->layout;
    const double um = 1e6 / l->factor[MAP_contact_height];
    read_back(f, MAPS_GROUP "/contact_height", H5T_NATIVE_FLOAT, f->plane);
    if (f->p.st != ST_OK) return;
    for (size_t i = 0; i < f->n; i++) {
        bool usable = f->state[i] == STATE_accepted || f->state[i] == STATE_doubtful;
        f->height[i] = usable ? um * (double)f->plane[i] : (double)NAN;
    }
    surface_slope(l->ny, l->nx, l->y_um, l->x_um, f->height, f->slope);
    for (size_t i = 0; i < f->n; i++) {
        if (!(f->slope[i] > f->m->steepest_rad)) continue;
        f->flags[i] |= FLAG(steep);
        if (f->state[i] == STATE_accepted) f->state[i] = STATE_doubtful;
    }
}

/* What needs the lines before and after: steps that all pixels share, and the flag of all that was
 * scanned after the first of them. */
static void find_tip_changes(struct finishing *f)
{
    static const int maps[BREAK_CHANNELS] = {[TIP_ADHESION] = MAP_adhesion,
                                             [TIP_MODULUS] = MAP_modulus,
                                             [TIP_HEIGHT] = MAP_contact_height};
    const struct maps_layout *l = &f->m->layout;
    struct tip_watch *w = NULL;
    if (f->p.st != ST_OK || !(f->m->tip_change > 0)) return;
    f->p.st = tip_watch_new(&w, l->ny, l->nx, l->rows_reversed, f->p.rep);
    for (int c = 0; c < BREAK_CHANNELS && f->p.st == ST_OK; c++) {
        char path[96];
        snprintf(path, sizeof path, MAPS_GROUP "/%s", map_rows[maps[c]].name);
        read_back(f, path, H5T_NATIVE_FLOAT, f->plane);
        if (f->p.st == ST_OK) tip_watch_take(w, c, f->plane, l->factor[maps[c]], f->state);
    }
    if (f->p.st == ST_OK) f->p.st = tip_watch_find(w, f->m->tip_change, &f->summary->tip, f->p.rep);
    if (f->p.st == ST_OK && f->summary->tip.n > 0)
        tip_watch_flag(w, f->summary->tip.at[0].line, f->flags, f->state);
    tip_watch_free(w);
}

/* Only rank 0 knows the slope. */
static void put_slope(struct finishing *f)
{
    const int map = MAP_surface_slope;
    for (size_t i = 0; i < f->n; i++)
        f->plane[i] = (float)(f->slope[i] * f->m->layout.factor[map]);
    planes_write(f->m, &f->p, map_rows[map].name, H5T_NATIVE_FLOAT, f->plane);
    if (f->p.st == ST_OK)
        f->found.pixels[map] = statistics_of_map(f->plane, f->state, f->n, f->found.quantile[map]);
}

/* Copy every plane and count on the way. */
static void copy_planes(struct finishing *f)
{
    read_back(f, MAPS_GROUP "/state", H5T_NATIVE_UINT8, f->state);
    read_back(f, MAPS_GROUP "/flags", H5T_NATIVE_UINT64, f->flags);
    find_slope(f);
    find_tip_changes(f);
    if (f->p.st == ST_OK) statistics_count(f->state, f->flags, f->n, f->summary);
    pulse_call(f->m->comm);
    planes_copy(f->m, f->state, &f->p, &f->found);
    put_slope(f);
    for (int i = 0; i < MAP_COUNT; i++)
        statistics_to_summary(f->summary, i, f->found.pixels[i], f->found.quantile[i],
                              f->m->layout.factor[i]);
    planes_write(f->m, &f->p, "flags", H5T_NATIVE_UINT64, f->flags);
    planes_write(f->m, &f->p, "state", H5T_NATIVE_UINT8, f->state);
}

/* The tiles' digests add up to the input's. */
static void sum_digests(struct finishing *f)
{
    const size_t n = f->m->n_tiles;
    struct digest sum = {0, 0};
    uint64_t(*words)[2] = malloc((n ? n : 1) * sizeof *words);
    if (!words && f->p.st == ST_OK)
        f->p.st = fail(f->p.rep, ST_MEMORY, "not enough memory for the digests of %zu tiles", n);
    if (n > 0) read_back(f, DIGESTS_PATH, H5T_NATIVE_UINT64, words);
    for (size_t i = 0; i < n && f->p.st == ST_OK; i++)
        digest_add(&sum, (struct digest){words[i][0], words[i][1]});
    digest_text(sum, f->summary->digest);
    const char *wanted = f->m->wanted_digest;
    if (f->p.st == ST_OK && *wanted && strcmp(wanted, f->summary->digest) != 0)
        f->p.st = fail(f->p.rep, ST_INPUT,
                       "input_digest: the samples changed while they were read (%s, now %s)",
                       wanted, f->summary->digest);
    free(words);
}

struct copying {
    hid_t to;
    const char *except;
};

static herr_t copy_link(hid_t from, const char *name, const H5L_info_t *info, void *data)
{
    const struct copying *c = data;
    (void)info;
    if (strcmp(name, c->except) == 0) return 0;
    return H5Ocopy(from, name, c->to, name, H5P_DEFAULT, H5P_DEFAULT);
}

/* /entry/run without the digests of tiles, which only an unfinished file needs. */
static void copy_run(struct finishing *f)
{
    if (f->p.st != ST_OK) return;
    hid_t from = H5Gopen2(f->from, "/entry/run", H5P_DEFAULT);
    hid_t to = h5put_group(&f->p, f->p.file, "/entry/run", "NXcollection");
    struct copying c = {to, strrchr(DIGESTS_PATH, '/') + 1};
    if (f->p.st == ST_OK &&
        (from < 0 || H5Literate(from, H5_INDEX_CRT_ORDER, H5_ITER_INC, NULL, copy_link, &c) < 0))
        h5put_fail(&f->p, "/entry/run");
    h5put_close(&f->p, &to);
    h5put_close(&f->p, &from);
}

static void copy_groups(struct finishing *f)
{
    static const char *const groups[] = {"/entry/process_1_calibration",
                                         "/entry/process_2_contact_fit"};
    for (size_t i = 0; i < sizeof groups / sizeof *groups && f->p.st == ST_OK; i++)
        if (H5Ocopy(f->from, groups[i], f->p.file, groups[i], H5P_DEFAULT, H5P_DEFAULT) < 0)
            h5put_fail(&f->p, groups[i]);
    if (f->p.st == ST_OK && H5Lexists(f->from, REFIT_GROUP, H5P_DEFAULT) > 0 &&
        H5Ocopy(f->from, REFIT_GROUP, f->p.file, REFIT_GROUP, H5P_DEFAULT, H5P_DEFAULT) < 0)
        h5put_fail(&f->p, REFIT_GROUP);
    copy_run(f);
}

static void put_counts(struct h5put *p, hid_t entry, const struct maps_summary *s, size_t pixels)
{
    char name[64];
    hid_t group = h5put_group(p, entry, "pixel_counts", "NXcollection");
    h5put_count(p, group, "pixels", pixels);
    for (int i = 0; i < STATE_COUNT; i++) {
        snprintf(name, sizeof name, "state_%s", state_rows[i].name);
        h5put_count(p, group, name, s->state[i]);
    }
    for (int i = 0; i < FLAG_COUNT; i++) {
        snprintf(name, sizeof name, "flag_%s", flag_rows[i].name);
        h5put_count(p, group, name, s->flag[i]);
    }
    h5put_close(p, &group);
}

static hid_t put_quantile_axis(struct h5put *p, hid_t group)
{
    const hsize_t dims[1] = {QUANTILE_COUNT};
    hid_t scale = h5put_array(p, group, "quantile", H5T_NATIVE_DOUBLE, 1, dims, H5P_DEFAULT,
                              statistics_quantiles);
    if (p->st == ST_OK && H5DSset_scale(scale, "quantile") < 0) h5put_fail(p, "quantile");
    h5put_attr_text(p, scale, "units", "1");
    h5put_attr_text(p, scale, "long_name", "share of pixels below (1)");
    return scale;
}

/* Five quantiles of each layer of a map, over dimension scales. */
static void put_quantiles(struct finishing *f, hid_t group, int map, hid_t more, hid_t scale)
{
    const size_t layers = layout_layers(&f->m->layout, map);
    const bool plane = map_rows[map].axis == AXIS_none;
    const hsize_t dims[2] = {layers, QUANTILE_COUNT};
    struct h5put *p = &f->p;
    uint64_t pixels[AXIS_LONGEST];
    char text[160];
    hid_t set = h5put_array(p, group, map_rows[map].name, H5T_NATIVE_DOUBLE, plane ? 1 : 2,
                            plane ? dims + 1 : dims, H5P_DEFAULT, f->found.quantile[map]);
    if (p->st == ST_OK && (H5DSattach_scale(set, scale, plane ? 0 : 1) < 0 ||
                           (!plane && H5DSattach_scale(set, more, 0) < 0)))
        h5put_fail(p, map_rows[map].name);
    for (size_t i = 0; i < layers; i++)
        pixels[i] = f->summary->map[(size_t)map + i].n;
    snprintf(text, sizeof text, "%s (%s)", map_rows[map].words, f->m->layout.unit[map]);
    h5put_attr_text(p, set, "units", f->m->layout.unit[map]);
    h5put_attr_text(p, set, "long_name", text);
    h5put_attr_numbers(p, set, "pixels", H5T_NATIVE_UINT64, pixels, layers > 1 ? layers : 0);
    h5put_close(p, &set);
}

/* One table for array readers; maps with a further axis have a group each. */
static void put_statistics(struct finishing *f, hid_t entry, enum map_axis axis)
{
    struct h5put *p = &f->p;
    char name[64];
    bool any = false;
    for (int i = 0; i < MAP_COUNT; i++)
        any = any || (map_rows[i].axis == axis && layout_begins(&f->m->layout, i));
    if (!any) return;
    snprintf(name, sizeof name, "statistics%s%s", axis ? "_by_" : "",
             axis ? axis_rows[axis].name : "");
    hid_t group = h5put_group(p, entry, name, "NXcollection");
    h5put_attr_text(p, group, "comment", "over accepted and doubtful pixels that have a value");
    hid_t scale = put_quantile_axis(p, group);
    hid_t more = layout_put_axis(p, group, &f->m->layout, axis);
    for (int i = 0; i < MAP_COUNT && p->st == ST_OK; i++)
        if (map_rows[i].axis == axis && layout_begins(&f->m->layout, i))
            put_quantiles(f, group, i, more, scale);
    h5put_close(p, &more);
    h5put_close(p, &scale);
    h5put_close(p, &group);
}

/* The table of runs, cut to those there were, each with its pixels. */
static void put_runs(struct finishing *f)
{
    const struct maps *m = f->m;
    const size_t n = run_row_of(m->owner.run) + 1;
    uint16_t *run_of_pixel = malloc(f->n * sizeof *run_of_pixel);
    struct run_row *rows = calloc(n, sizeof *rows);
    uint64_t pixels[RUNS_MOST] = {0};
    bool good = run_of_pixel && rows;
    if (f->p.st == ST_OK && !good)
        f->p.st = fail(f->p.rep, ST_MEMORY, "not enough memory for the table of runs");
    if (f->p.st == ST_OK) f->p.st = maps_read_planes(m, NULL, NULL, run_of_pixel, f->p.rep);
    for (int c = 0; c < RUN_COLUMN_COUNT && f->p.st == ST_OK; c++) {
        const size_t bytes = run_columns[c].bytes;
        for (size_t i = 0; i < n && good; i++)
            good = place_read(m->lock, rows[i].text[c], bytes, m->places.runs[c] + i * bytes) == 0;
    }
    if (f->p.st == ST_OK && !good)
        f->p.st = fail(f->p.rep, ST_OUTPUT, "the table of runs cannot be read back: %m");
    for (size_t i = 0; i < f->n && f->p.st == ST_OK; i++)
        if (run_of_pixel[i]) pixels[run_row_of(run_of_pixel[i])]++;
    if (f->p.st == ST_OK)
        runs_put_final(&f->p, f->p.file, m->layout.ny, m->layout.nx, n, rows, pixels, run_of_pixel,
                       m->layout.deflate);
    free(rows);
    free(run_of_pixel);
}

/* PATH.finishing-XXXXXXXX exists and is empty: fill it. */
static void fill_finished(struct finishing *f)
{
    hid_t order = h5put_file_order(&f->p), access = h5put_access();
    if (f->p.st == ST_OK) f->p.file = H5Fcreate(f->m->finishing, H5F_ACC_TRUNC, order, access);
    if (f->p.file < 0) h5put_fail(&f->p, "the file");
    h5put_close(&f->p, &order);
    h5put_close(&f->p, &access);
    layout_put(&f->p, f->p.file, &f->m->layout, true);
    copy_planes(f);
    copy_groups(f);
    put_runs(f);
    sum_digests(f);
    hid_t entry = f->p.st == ST_OK ? H5Gopen2(f->p.file, "/entry", H5P_DEFAULT) : H5I_INVALID_HID;
    for (int axis = 0; axis < AXIS_COUNT; axis++)
        put_statistics(f, entry, (enum map_axis)axis);
    put_counts(&f->p, entry, f->summary, f->n);
    if (f->m->tip_change > 0) tip_watch_put(&f->p, entry, &f->summary->tip, &f->m->layout);
    if (f->budget) budget_put(&f->p, entry, f->budget, &f->m->layout);
    provenance_put_end(&f->p, entry, f->summary->digest);
    h5put_close(&f->p, &entry);
    h5put_finish_file(&f->p);
}

static enum status begin_finishing(struct finishing *f, int *lock, struct report *rep)
{
    const struct maps *m = f->m;
    f->from = h5put_open(m->part);
    f->plane = malloc(f->n * sizeof *f->plane);
    f->flags = malloc(f->n * sizeof *f->flags);
    f->state = malloc(f->n);
    f->height = malloc(f->n * sizeof *f->height);
    f->slope = malloc(f->n * sizeof *f->slope);
    if (!f->plane || !f->flags || !f->state || !f->height || !f->slope)
        return fail(rep, ST_MEMORY, "%s: not enough memory to finish %zu pixels", m->path, f->n);
    if (f->from < 0) return fail(rep, ST_OUTPUT, "%s cannot be read back", m->part);
    /* HDF5 1.10 cannot close a file whose flush has failed: ask for the room beforehand */
    enum status st = output_reserve(m->finishing, maps_bytes(m), rep);
    return st == ST_OK ? output_lock(m->finishing, lock, rep) : st;
}

/* One rank: make the finished file and put it in its place. */
static enum status lead_finishing(struct maps *m, const struct budget *budget,
                                  struct maps_summary *summary, struct report *rep)
{
    struct finishing f = {.m = m,
                          .budget = budget,
                          .p = h5put_start(rep),
                          .summary = summary,
                          .n = m->layout.ny * m->layout.nx};
    int lock = -1;
    f.p.after_each = pulse_beat;
    f.p.what = &m->comm;
    enum status st = owner_check(m->part, m->lock, m->places.owner, &m->owner, rep);
    if (st != ST_OK) return st;
    st = begin_finishing(&f, &lock, rep);
    if (st != ST_OK) goto done;
    fill_finished(&f);
    st = f.p.st == ST_OK ? owner_check(m->part, m->lock, m->places.owner, &m->owner, rep)
                         : within(rep, f.p.st, "%s: ", m->path);
    if (st == ST_OK) st = output_publish(m->finishing, m->path, m->overwrite, rep);
    /* done with it; or the samples are others, and what it holds is worth nothing */
    if ((st == ST_OK || st == ST_INPUT) && output_is_ours(m->part, m->lock)) unlink(m->part);
done:
    if (lock >= 0 && st != ST_OK) unlink(m->finishing);
    if (lock >= 0) close(lock);
    if (f.from >= 0) H5Fclose(f.from);
    free(f.plane);
    free(f.flags);
    free(f.state);
    free(f.height);
    free(f.slope);
    return st;
}

static enum status help_finishing(const void *m, struct report *rep)
{
    return planes_help(m, rep);
}

enum status maps_finish(struct maps **m, const struct budget *budget, struct maps_summary *summary,
                        struct report *rep)
{
    const MPI_Comm comm = (*m)->comm;
    *summary = (struct maps_summary){0};
    enum status st = agree(comm, maps_close_part(*m, rep), rep);
    if (st == ST_OK && (*m)->rank == 0) {
        st = lead_finishing(*m, budget, summary, rep);
        pulse_end(comm);
    } else if (st == ST_OK) {
        st = pulse_follow(comm, help_finishing, *m, rep);
    }
    st = agree(comm, st, rep);
    watch_enter();
    MPI_Bcast(summary, (int)sizeof *summary, MPI_BYTE, 0, comm);
    watch_leave();
    maps_free(m);
    return st;
}
