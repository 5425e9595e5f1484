#include "maps/parent.h"

#include "base/units.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define DIGEST_OF_FILE "XXH3-128 of the bytes of the file, seed 0"

static enum status digest_file(const char *path, char out[33], struct report *rep)
{
    enum { PIECE = 1 << 20 };
    struct digest_stream *s = digest_stream_new();
    unsigned char *bytes = malloc(PIECE);
    FILE *file = fopen(path, "rbe");
    enum status st = ST_OK;
    size_t n = 0;
    if (!s || !bytes) st = fail(rep, ST_MEMORY, "%s: not enough memory for its digest", path);
    if (st == ST_OK && !file)
        st = fail(rep, ST_INPUT, "%s: cannot be opened: %s", path, strerror(errno));
    if (st == ST_OK) digest_stream_begin(s, 0);
    while (st == ST_OK && (n = fread(bytes, 1, PIECE, file)) > 0)
        digest_stream_feed(s, bytes, n);
    if (st == ST_OK && ferror(file)) st = fail(rep, ST_INPUT, "%s: cannot be read", path);
    if (st == ST_OK) digest_text(digest_stream_end(s), out);
    if (file) fclose(file);
    free(bytes);
    digest_stream_free(s);
    return st;
}

static enum status check_finished(const struct maps_view *v, struct report *rep)
{
    if (v->summary.state[STATE_pending] || !*v->summary.digest)
        return fail(rep, ST_INPUT,
                    "%s is not finished (%zu pixels are pending): go on with it first, `cantle "
                    "map ... --resume`",
                    v->path, v->summary.state[STATE_pending]);
    if (!*v->identity || !*v->source_path)
        return fail(rep, ST_INPUT,
                    "%s does not say what it was made from (/entry/run/identity, input_path), so "
                    "it cannot be refitted",
                    v->path);
    return ST_OK;
}

enum status parent_load(struct maps_parent *out, const char *path, struct report *rep)
{
    *out = (struct maps_parent){.reuse = 0};
    enum status st = maps_view_load(&out->view, path, rep);
    if (st != ST_OK) return st;
    st = check_finished(&out->view, rep);
    if (st == ST_OK) st = digest_file(path, out->digest, rep);
    for (int i = 0; i < MAP_COUNT && st == ST_OK; i++)
        if (out->view.map[i])
            st = units_from_si(map_rows[i].si_unit, out->view.unit[i], &out->factor[i], rep);
    if (st != ST_OK) parent_free(out);
    return st;
}

void parent_free(struct maps_parent *p)
{
    maps_view_free(&p->view);
    free(p->chosen);
    free(p->record);
    *p = (struct maps_parent){.reuse = 0};
}

static bool begins_a_fit(int map)
{
    return map == MAP_approach_baseline_samples || map == MAP_retract_baseline_samples ||
           map == MAP_noise_order || map == MAP_slow_noise || map == MAP_samples_used ||
           map == MAP_samples_effective || map == MAP_contact_point || map == MAP_point_uncertainty;
}

enum status parent_choose(struct maps_parent *p, const char *mask, struct report *rep)
{
    const size_t n = p->view.ny * p->view.nx;
    p->n_chosen = 0;
    for (size_t i = 0; i < n; i++)
        p->n_chosen += p->chosen ? p->chosen[i] != 0 : 1;
    snprintf(p->choice_digest, sizeof p->choice_digest, "all pixels");
    if (p->chosen) digest_text(digest_bytes(p->chosen, n, 0), p->choice_digest);
    if (p->n_chosen == 0)
        return fail(rep, ST_INPUT, "%s: the mask '%s' chooses no pixel, so there is nothing to do",
                    p->view.path, mask ? mask : "");
    for (int i = 0; i < MAP_COUNT && !p->chosen; i++) {
        free(p->view.error[i]);
        p->view.error[i] = NULL;
        if (begins_a_fit(i)) continue;
        free(p->view.map[i]);
        p->view.map[i] = NULL;
    }
    return ST_OK;
}

void parent_align(struct maps_parent *p, const struct map_extent *now)
{
    char before[160], after[160];
    for (int i = 0; i < MAP_COUNT; i++) {
        if (!p->view.map[i] || !map_is_made(now, i)) continue;
        map_words(&p->view.extent, i, before);
        map_words(now, i, after);
        p->elsewhere[i] = strcmp(before, after) != 0;
    }
}

static json_int_t generation_of(const json_t *record)
{
    return json_integer_value(json_object_get(record, "generation"));
}

enum status parent_record(struct maps_parent *p, const char *changed, const char *mask,
                          struct report *rep)
{
    const struct maps_view *v = &p->view;
    char reused[64], *absolute = realpath(v->path, NULL);
    json_t *before = json_loads(v->refit_json, 0, NULL);
    json_t *list = json_loads(changed, 0, NULL), *run = json_loads(v->provenance_json, 0, NULL);
    reuse_words(p->reuse, reused);
    json_t *parent = json_pack("{s:s, s:s, s:s, s:s, s:s, s:O*}", "path", v->path, "absolute_path",
                               absolute ? absolute : v->path, "digest", p->digest, "input_digest",
                               v->summary.digest, "model", v->model, "source_revision",
                               json_object_get(run, "source_revision"));
    json_t *all = json_pack("{s:o, s:I, s:o, s:s, s:s, s:I, s:O?}", "parent", parent, "generation",
                            generation_of(before) + 1, "changed", list, "reused", reused, "mask",
                            mask ? mask : "all", "pixels_refitted", (json_int_t)p->n_chosen,
                            "before", before);
    free(p->record);
    p->record = all ? json_dumps(all, JSON_INDENT(1)) : NULL;
    json_decref(all);
    json_decref(before);
    json_decref(run);
    free(absolute);
    return p->record ? ST_OK : fail(rep, ST_MEMORY, "not enough memory for the record of a refit");
}

/* Index in the file of the pixel at row, col of the volume. */
static size_t index_of(const struct maps_view *v, size_t row, size_t col)
{
    return (v->y_flipped ? v->ny - 1 - row : row) * v->nx + (v->x_flipped ? v->nx - 1 - col : col);
}

static double value_at(const struct maps_parent *p, int map, size_t i)
{
    return p->view.map[map] ? (double)p->view.map[map][i] / p->factor[map] : (double)NAN;
}

static size_t count_at(const struct maps_parent *p, int map, size_t i)
{
    double value = value_at(p, map, i);
    return value >= 4 && value < 1e9 ? (size_t)value : 0;
}

const struct curve_hint *parent_hint(const struct maps_parent *p, size_t row, size_t col,
                                     struct curve_hint *out)
{
    const struct maps_view *v = &p->view;
    const size_t i = index_of(v, row, col);
    *out = (struct curve_hint){.contact_point_m = NAN};
    /* what an earlier refit had copied was made by another recipe */
    if (!p->reuse || !v->run_of_pixel || !v->run_of_pixel[i]) return NULL;
    if (p->reuse & REUSE(baseline)) {
        out->baseline_end[0] = count_at(p, MAP_approach_baseline_samples, i);
        out->baseline_end[1] = count_at(p, MAP_retract_baseline_samples, i);
        out->no_spikes = !(v->flags[i] & FLAG(spikes));
    }
    double effective = value_at(p, MAP_samples_effective, i);
    out->white = p->reuse & REUSE(noise) && value_at(p, MAP_noise_order, i) <= 0 &&
                 value_at(p, MAP_slow_noise, i) <= 0 &&
                 effective >= value_at(p, MAP_samples_used, i);
    /* where the contact point is known badly there are several minima: those are looked for */
    const double sure = 0.05;
    bool good = v->state[i] == STATE_accepted || v->state[i] == STATE_doubtful;
    if (p->reuse & REUSE(point) && good && value_at(p, MAP_point_uncertainty, i) < sure)
        out->contact_point_m = value_at(p, MAP_contact_point, i);
    return out;
}

bool parent_keeps(const struct maps_parent *p, size_t row, size_t col, struct pixel_result *out)
{
    const struct maps_view *v = &p->view;
    const size_t i = index_of(v, row, col);
    if (!p->chosen || p->chosen[i]) return false;
    result_clear(out);
    for (int m = 0; m < MAP_COUNT; m++) {
        if (p->elsewhere[m]) continue;
        out->map[m].value = value_at(p, m, i);
        if (v->error[m]) out->map[m].error = (double)v->error[m][i] / p->factor[m];
    }
    /* other pixels decide on these, and they may have changed */
    out->flags = v->flags[i] & ~(FLAG(steep) | FLAG(tip_changed));
    out->state = (uint8_t)result_state(out->flags);
    out->copied = 1;
    return true;
}

void parent_put(struct h5put *p, hid_t entry, const struct maps_parent *parent)
{
    hid_t group = h5put_group(p, entry, strrchr(REFIT_GROUP, '/') + 1, "NXcollection");
    h5put_attr_text(p, group, "comment",
                    "a refit of another map file; pixels with run_of_pixel = 0 are that file's");
    h5put_text(p, group, "parent_path", parent->view.path);
    h5put_text(p, group, "parent_digest", parent->digest);
    h5put_text(p, group, "parent_digest_method", DIGEST_OF_FILE);
    h5put_text(p, group, strrchr(REFIT_PATH, '/') + 1, parent->record ? parent->record : "");
    h5put_close(p, &group);
}
