/* What a joined volume says, into its skeleton. */
#include "volume/attributes.h"
#include "volume/volume_join_private.h"

#include <math.h>
#include <stdlib.h>

static enum status put_packing(struct joining *j, const char *name, const struct samples *s,
                               const char *unit, struct report *rep)
{
    const struct {
        const char *name;
        double value;
    } rows[] = {{"scale_factor", s->pack.a},     {"add_offset", s->pack.b},
                {"valid_min", s->pack.low},      {"valid_max", s->pack.high},
                {"_FillValue", s->pack.gone[0]}, {"missing_value", s->pack.gone[1]}};
    enum status st = skeleton_text(j->sk, name, "units", unit, rep);
    for (size_t i = 0; i < sizeof rows / sizeof *rows && st == ST_OK; i++)
        if (isfinite(rows[i].value))
            st = skeleton_number(j->sk, name, rows[i].name, rows[i].value, rep);
    return st;
}

static enum status put_samples(struct joining *j, enum segment_id id, int leaf, struct report *rep)
{
    static const char *const leaves[LEAVES] = {"signal", "z", "lateral"};
    static const char *const units[] = {"V", "V", "m", "N"};
    const struct segment *seg = &j->model->seg[id];
    const struct samples *s = join_leaf(j->model, id, leaf);
    enum signal_stage stage = j->model->facts.seg[id].stage;
    bool four = leaf == LEAF_signal && stage == STAGE_QUADRANTS;
    bool ramp = leaf == LEAF_z && seg->ramp && j->ramps_differ[id];
    const size_t dims[4] = {j->ny, j->nx, j->longest[id], 4};
    char name[64], unit[64] = "m";
    if (s->set.id < 0 && !ramp) return ST_OK;
    struct view *view = join_view_new(j->parts, id, leaf, ramp);
    if (!view) return fail(rep, ST_MEMORY, "not enough memory to join");
    snprintf(name, sizeof name, "/%s/%s", segment_names[id], leaves[leaf]);
    enum status st = skeleton_samples(j->sk, name, four ? 4 : 3, dims,
                                      ramp ? NUMBER_float64 : s->set.number, view, rep);
    if (st != ST_OK) return st;
    if (ramp) return skeleton_text(j->sk, name, "units", "m", rep);
    if (leaf == LEAF_signal) snprintf(unit, sizeof unit, "%s", units[stage]);
    if (leaf == LEAF_lateral) {
        /* its scale has the factor of its unit in it, and the dimension is its own affair */
        st = attribute_text(s->set.id, "units", unit, sizeof unit, rep);
        return st == ST_OK ? skeleton_text(j->sk, name, "units", unit, rep) : st;
    }
    st = put_packing(j, name, s, unit, rep);
    if (st == ST_OK && leaf == LEAF_signal)
        st = skeleton_text(
            j->sk, name, "stage",
            (const char *const[]){"detector", "quadrants", "deflection", "force"}[stage], rep);
    if (st == ST_OK && leaf == LEAF_signal)
        st = skeleton_text(j->sk, name, "repulsion", s->pack.swap ? "negative" : "positive", rep);
    return st;
}

static enum status put_pixels(struct joining *j, const char *group, const char *leaf,
                              const double *values, const char *unit, struct report *rep)
{
    const size_t dims[2] = {j->ny, j->nx};
    char name[64];
    snprintf(name, sizeof name, "/%s/%s", group, leaf);
    return values ? skeleton_numbers(j->sk, name, 2, dims, values, unit, NAN, rep) : ST_OK;
}

static enum status put_segment(struct joining *j, enum segment_id id, struct report *rep)
{
    const struct segment *seg = &j->model->seg[id];
    const struct segment_facts *f = &j->model->facts.seg[id];
    const char *group = segment_names[id];
    enum status st = ST_OK;
    char name[64];
    if (!f->there) return ST_OK;
    for (int leaf = 0; leaf < LEAVES && st == ST_OK; leaf++)
        st = put_samples(j, id, leaf, rep);
    if (st == ST_OK) st = put_pixels(j, group, "length", j->all.length[id], NULL, rep);
    if (st == ST_OK) st = put_pixels(j, group, "z_start", j->all.start[id], "m", rep);
    if (st == ST_OK) st = put_pixels(j, group, "z_step", j->all.step[id], "m", rep);
    if (st == ST_OK && f->z_kind == Z_START_STEP && !j->all.start[id]) {
        snprintf(name, sizeof name, "/%s/z_start", group);
        st = skeleton_numbers(j->sk, name, 0, NULL, &seg->start_m, "m", NAN, rep);
        snprintf(name, sizeof name, "/%s/z_step", group);
        if (st == ST_OK) st = skeleton_numbers(j->sk, name, 0, NULL, &seg->step_m, "m", NAN, rep);
    }
    snprintf(name, sizeof name, "/%s/z", group);
    if (st == ST_OK && seg->ramp && !j->ramps_differ[id]) {
        double *ramp = malloc(seg->n * sizeof *ramp);
        for (size_t i = 0; ramp && i < seg->n; i++)
            ramp[i] = f->z_sense * seg->ramp[i];
        st = ramp ? skeleton_numbers(j->sk, name, 1, &seg->n, ramp, "m", NAN, rep)
                  : fail(rep, ST_MEMORY, "not enough memory for a ramp");
        free(ramp);
    }
    if (f->z_kind == Z_START_STEP) snprintf(name, sizeof name, "/%s/z_start", group);
    if (st == ST_OK)
        st = skeleton_text(j->sk, name, "direction",
                           f->z_sense > 0 ? "toward_sample" : "away_from_sample", rep);
    snprintf(name, sizeof name, "/%s/sample_interval", group);
    if (st == ST_OK && isfinite(f->sample_interval_s))
        st = skeleton_numbers(j->sk, name, 0, NULL, &f->sample_interval_s, "s", NAN, rep);
    return st;
}

enum status join_skeleton_fill(struct joining *j, struct report *rep)
{
    const struct volume_facts *f = &j->model->facts;
    enum status st = skeleton_text(j->sk, "/", "title", f->title, rep);
    char name[64];
    for (int id = 0; id < SEG_COUNT && st == ST_OK; id++)
        st = put_segment(j, (enum segment_id)id, rep);
    if (st == ST_OK)
        st = skeleton_numbers(j->sk, "/grid/x", 1, &j->nx, j->wish->columns ? j->along_m : f->x_m,
                              "m", NAN, rep);
    if (st == ST_OK)
        st = skeleton_numbers(j->sk, "/grid/y", 1, &j->ny, j->wish->columns ? f->y_m : j->along_m,
                              "m", NAN, rep);
    if (st == ST_OK) st = put_pixels(j, "grid", "present", j->all.present, NULL, rep);
    if (st == ST_OK) st = put_pixels(j, "grid", "z_offset", j->all.z_offset, "m", rep);
    if (st == ST_OK) st = put_pixels(j, "grid", "thickness", j->all.thickness, "m", rep);
    if (st == ST_OK) st = put_pixels(j, "grid", "substrate", j->all.substrate, NULL, rep);
    for (int i = 0; i < LEVER_COUNT && st == ST_OK; i++) {
        const struct known *k = &f->lever.item[i];
        snprintf(name, sizeof name, "/calibration/%s", lever_rows[i].name);
        if (isfinite(k->value))
            st = skeleton_numbers(j->sk, name, 0, NULL, &k->value, lever_rows[i].si_unit, k->u,
                                  rep);
    }
    return st == ST_OK ? skeleton_spring_notes(j->sk, &f->lever, rep) : st;
}
