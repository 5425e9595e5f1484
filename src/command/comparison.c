#include "command/comparison.h"

#include "base/units.h"
#include "command/stored_input.h"
#include "maps/masking.h"
#include "recipe/change.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

const char *const comparison_caution =
    "A criterion weighs how closely two models follow these samples against how many numbers they "
    "fit; it does not say that either is right: look at reduced_chi_square, residual_runs and the "
    "curves too. What both "
    "models leave out (thickness, roughness, creep, a wrong tip shape) can favour the wrong one in "
    "every pixel alike, and neighbouring pixels are no independent witnesses.";

/* --- may they be compared? --- */

static bool same_steps(const double *a, const double *b, size_t n)
{
    double step = n > 1 ? (a[n - 1] - a[0]) / (double)(n - 1) : 1;
    for (size_t i = 0; i < n; i++)
        if (!(fabs((a[i] - a[0]) - (b[i] - b[0])) < 1e-3 * step)) return false;
    return true;
}

static enum status check_grids(const struct maps_view *a, const struct maps_view *b,
                               struct report *rep)
{
    if (a->nx != b->nx || a->ny != b->ny)
        return fail(rep, ST_INPUT,
                    "%s has %zu x %zu pixels, %s has %zu x %zu: pixels of other grids cannot be "
                    "compared one by one",
                    a->path, a->nx, a->ny, b->path, b->nx, b->ny);
    if (!same_steps(a->x_m, b->x_m, a->nx) || !same_steps(a->y_m, b->y_m, a->ny))
        return fail(rep, ST_INPUT,
                    "the pixels of %s and %s have other distances: pixels of other grids cannot be "
                    "compared one by one",
                    a->path, b->path);
    return ST_OK;
}

/* --- what differs in how they were made --- */

static enum status compare_recipes(struct comparison *c, struct report *rep)
{
    struct recipe a, b;
    enum status st = stored_recipe(&c->a, &a, rep);
    if (st != ST_OK) return st;
    st = stored_recipe(&c->b, &b, rep);
    if (st == ST_OK) {
        char *text = recipe_difference(&a, &b, NULL);
        c->recipe = text ? json_loads(text, 0, NULL) : NULL;
        if (!c->recipe) st = fail(rep, ST_MEMORY, "not enough memory to compare recipes");
        free(text);
        recipe_free(&b);
    }
    recipe_free(&a);
    return st;
}

static bool ends_with(const char *text, const char *end)
{
    size_t n = strlen(text), m = strlen(end);
    return n >= m && strcmp(text + n - m, end) == 0;
}

/* Values of lever, tip and sample as they were used, whether recipe, lever file or volume gave
 * them; the program. */
static enum status compare_used(struct comparison *c, struct report *rep)
{
    json_t *a = json_loads(c->a.identity, 0, NULL), *b = json_loads(c->b.identity, 0, NULL);
    const char *key;
    json_t *value;
    c->used_values = json_array();
    json_object_foreach(b, key, value)
    {
        json_t *old = json_object_get(a, key);
        if (!a || json_equal(value, old)) continue;
        if (!ends_with(key, " as used") && strcmp(key, "program.numerics") != 0) continue;
        json_array_append_new(c->used_values,
                              json_pack("{s:s, s:O?, s:O}", "key", key, "old", old, "new", value));
    }
    json_decref(a);
    json_decref(b);
    return c->used_values ? ST_OK : fail(rep, ST_MEMORY, "not enough memory to compare recipes");
}

/* The mask does not choose it. */
static bool is_out(const struct comparison *c, size_t i)
{
    return c->chosen && !c->chosen[i];
}

static bool usable(const struct maps_view *v, size_t i)
{
    return v->state[i] == STATE_accepted || v->state[i] == STATE_doubtful;
}

/* --- numbers --- */

static enum status to_si(const struct maps_view *v, enum map_id id, const float *from, double *out,
                         struct report *rep)
{
    double factor = 1;
    enum status st = from ? units_from_si(map_rows[id].si_unit, v->unit[id], &factor, rep) : ST_OK;
    for (size_t i = 0; i < v->ny * v->nx; i++)
        out[i] = from ? (double)from[i] / factor : (double)NAN;
    return st;
}

enum status comparison_load(struct comparison *c, enum map_id id, struct report *rep)
{
    enum status st = to_si(&c->a, id, c->a.map[id], c->va, rep);
    if (st == ST_OK) st = to_si(&c->b, id, c->b.map[id], c->vb, rep);
    if (st == ST_OK) st = to_si(&c->a, id, c->a.error[id], c->ua, rep);
    if (st == ST_OK) st = to_si(&c->b, id, c->b.error[id], c->ub, rep);
    return st;
}

static bool all_same(const struct comparison *c)
{
    for (size_t i = 0; i < c->n; i++)
        if (c->use[i] && c->va[i] != c->vb[i] && !(isnan(c->va[i]) && isnan(c->vb[i])))
            return false;
    return true;
}

static enum status compare_map(struct comparison *c, enum map_id id, struct report *rep)
{
    struct compared_map *m = &c->map[id];
    char a[160], b[160]; /* a layer of another depth, say, is another map */
    map_words(&c->a.extent, (int)id, a);
    map_words(&c->b.extent, (int)id, b);
    m->there = c->a.map[id] && c->b.map[id] && strcmp(a, b) == 0;
    if (!m->there) return ST_OK;
    enum status st = comparison_load(c, id, rep);
    m->same = c->used > 0 && all_same(c);
    agreement_of(c->va, c->vb, c->use, c->n, false, &m->plain);
    m->ratios = map_rows[id].scale == SCALE_LOG;
    if (m->ratios) agreement_of(c->va, c->vb, c->use, c->n, true, &m->logs);
    m->has_u = map_rows[id].errors;
    for (int k = 0; k < 2 && m->has_u; k++)
        m->beyond[k] = agreement_beyond(c->va, c->ua, c->vb, c->ub, c->use, c->n, k + 1,
                                        &m->with_u);
    return st;
}

static void compare_flags(struct comparison *c)
{
    for (size_t i = 0; i < c->n; i++) {
        if (is_out(c, i)) continue;
        c->state[c->a.state[i]][c->b.state[i]]++;
        for (int f = 0; f < FLAG_COUNT; f++) {
            bool a = c->a.flags[i] >> f & 1, b = c->b.flags[i] >> f & 1;
            c->flag[f].lost += a && !b;
            c->flag[f].gained += b && !a;
            c->flag[f].both += a && b;
        }
    }
}

/* --- which model describes a pixel better --- */

static bool used_alike(const struct comparison *c, const char *key)
{
    size_t i;
    json_t *one;
    json_array_foreach(c->used_values, i, one)
    {
        if (strcmp(json_string_value(json_object_get(one, "key")), key) == 0) return false;
    }
    return true;
}

static void may_have_criterion(struct comparison *c)
{
    static const char *const scales[] = {"deflection_sensitivity as used",
                                         "quadrant_sensitivity as used", "spring_constant as used"};
    char *why = c->no_criterion;
    const size_t size = sizeof c->no_criterion;
    bool maps = c->a.map[MAP_residual_rms] && c->b.map[MAP_residual_rms] &&
                c->a.map[MAP_samples_effective] && c->b.map[MAP_samples_effective];
    if (!c->known_input)
        snprintf(why, size, "an unfinished file does not say which curves it was made from");
    else if (!c->same_input)
        snprintf(why, size, "the files were made from other curves (input_digest)");
    else if (!maps || !c->a.unknowns || !c->b.unknowns)
        snprintf(why, size, "a file does not say what its fits left (it is of an older program)");
    else if (strcmp(c->a.segment, c->b.segment) != 0)
        snprintf(why, size, "A was fitted to the %.15s, B to the %.15s: other samples",
                 c->a.segment, c->b.segment);
    else if (strcmp(c->a.space, "deflection") != 0 || strcmp(c->b.space, "deflection") != 0)
        snprintf(why, size,
                 "residuals of force over indentation are not the noise; fit deflection over z");
    for (size_t i = 0; i < sizeof scales / sizeof *scales && !*why; i++)
        if (!used_alike(c, scales[i]))
            snprintf(why, size, "%.*s differs, so the samples do", (int)(strlen(scales[i]) - 8),
                     scales[i]);
}

/* The two fits took the same samples, and saw the same noise in them. */
static bool alike(const struct comparison *c, size_t i)
{
    static const enum map_id maps[] = {MAP_samples_used, MAP_noise_order, MAP_slow_noise};
    for (size_t m = 0; m < sizeof maps / sizeof *maps; m++)
        if (!(c->a.map[maps[m]][i] == c->b.map[maps[m]][i])) return false;
    return true;
}

static enum status compare_models(struct comparison *c, struct report *rep)
{
    enum status st = comparison_load(c, MAP_residual_rms, rep);
    for (size_t i = 0; i < c->n; i++)
        c->aicc[i] = c->bic[i] = NAN;
    may_have_criterion(c);
    for (size_t i = 0; i < c->n && !*c->no_criterion && st == ST_OK; i++) {
        double n = fmin((double)c->a.map[MAP_samples_effective][i],
                        (double)c->b.map[MAP_samples_effective][i]);
        double a = c->va[i] * c->va[i], b = c->vb[i] * c->vb[i];
        if (!isfinite(a) || !isfinite(b) || maps_view_copied(&c->a, i) ||
            maps_view_copied(&c->b, i))
            continue;
        if (is_out(c, i)) continue;
        if (!usable(&c->a, i) && !usable(&c->b, i)) continue; /* the curve is bad, not a model */
        if (!alike(c, i)) {
            c->unlike++;
            continue;
        }
        c->aicc[i] = criterion_aicc(b, n, c->b.unknowns) - criterion_aicc(a, n, c->a.unknowns);
        c->bic[i] = criterion_bic(b, n, c->b.unknowns) - criterion_bic(a, n, c->a.unknowns);
    }
    criterion_count(c->aicc, c->n, c->ua, &c->aicc_table);
    criterion_count(c->bic, c->n, c->ua, &c->bic_table);
    return st;
}

/* --- all of it --- */

static enum status make_room(struct comparison *c, struct report *rep)
{
    double **arrays[] = {&c->va, &c->vb, &c->ua, &c->ub, &c->aicc, &c->bic};
    bool good = (c->use = calloc(c->n, sizeof *c->use)) != NULL;
    for (size_t i = 0; i < sizeof arrays / sizeof *arrays; i++)
        good = (*arrays[i] = malloc(c->n * sizeof **arrays[i])) && good;
    return good ? ST_OK : fail(rep, ST_MEMORY, "not enough memory to compare %zu pixels", c->n);
}

static enum status choose_pixels(struct comparison *c, const char *mask, struct report *rep)
{
    c->chosen = malloc(c->n);
    if (!c->chosen) return fail(rep, ST_MEMORY, "not enough memory for a choice of pixels");
    return maps_mask(&c->a, mask, c->chosen, NULL, rep);
}

enum status comparison_make(struct comparison *c, const char *a, const char *b, const char *mask,
                            struct report *rep)
{
    struct progress line;
    enum status st = maps_view_load(&c->a, a, rep);
    if (st == ST_OK) st = maps_view_load(&c->b, b, rep);
    if (st == ST_OK) st = check_grids(&c->a, &c->b, rep);
    c->n = c->a.ny * c->a.nx;
    if (st == ST_OK) st = make_room(c, rep);
    if (st == ST_OK && mask) st = choose_pixels(c, mask, rep);
    if (st != ST_OK) return st;
    c->known_input = *c->a.summary.digest && *c->b.summary.digest;
    c->same_input = c->known_input && strcmp(c->a.summary.digest, c->b.summary.digest) == 0;
    for (size_t i = 0; i < c->n; i++) {
        bool copied = maps_view_copied(&c->a, i) || maps_view_copied(&c->b, i);
        if (is_out(c, i)) continue;
        c->copied += copied;
        c->use[i] = !copied && usable(&c->a, i) && usable(&c->b, i);
        c->used += c->use[i];
    }
    compare_flags(c);
    st = compare_recipes(c, rep);
    if (st == ST_OK) st = compare_used(c, rep);
    progress_begin(&line, c->progress, "maps compared", MAP_COUNT);
    for (int i = 0; i < MAP_COUNT && st == ST_OK; i++) {
        st = compare_map(c, (enum map_id)i, rep);
        progress_show(&line, (uint64_t)i + 1);
    }
    progress_end(&line);
    return st == ST_OK ? compare_models(c, rep) : st;
}

void comparison_free(struct comparison *c)
{
    maps_view_free(&c->a);
    maps_view_free(&c->b);
    free(c->use);
    free(c->chosen);
    free(c->va);
    free(c->vb);
    free(c->ua);
    free(c->ub);
    free(c->aicc);
    free(c->bic);
    json_decref(c->recipe);
    json_decref(c->used_values);
}
