#include "maps/identity.h"

#include "build_facts.h"
#include "maps/parent.h"
#include "recipe/recipe.h"

#include <gnu/libc-version.h>
#include <gsl/gsl_version.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/utsname.h>

static void put_text(json_t *all, const char *key, const char *text)
{
    json_object_set_new(all, key, json_string(text));
}

static void put_real(json_t *all, const char *key, double value)
{
    json_object_set_new(all, key, isfinite(value) ? json_real(value) : json_null());
}

/* Sources, compiler and flags, and what the C library chooses by the processor: its exp and log
 * differ in the last bit with and without fused multiply-add. */
static void put_program(json_t *all)
{
    char text[512];
    struct utsname system = {.machine = "unknown"};
    uname(&system);
#if defined __x86_64__
    const char *fused = __builtin_cpu_supports("fma") ? ", fma" : ", no fma";
#else
    const char *fused = "";
#endif
    snprintf(text, sizeof text, "%s; %s; %s; GSL %s; glibc %s; %s%s", CANTLE_NUMERICS,
             CANTLE_COMPILER, CANTLE_FLAGS, gsl_version, gnu_get_libc_version(), system.machine,
             fused);
    put_text(all, "program.numerics", text);
}

static void put_volume(json_t *all, const struct maps_origin *o)
{
    char text[64];
    const struct volume_facts *v = o->volume;
    snprintf(text, sizeof text, "%zu x %zu", v->nx, v->ny);
    put_text(all, "volume.grid", text);
    snprintf(text, sizeof text, "%zu of %zu x %zu", o->n_tiles, v->tile_cols, v->tile_rows);
    put_text(all, "volume.tiles", text);
    digest_text(o->setup, text);
    put_text(all, "volume.axes_units_and_masks", text);
}

/* Compression changes how numbers are stored, not what they are. */
static bool changes_numbers(int key)
{
    return key != KEY_output_compression;
}

static void put_key(json_t *all, int key, const struct recipe_value *v)
{
    char name[128], text[192];
    snprintf(name, sizeof name, "%s.%s", recipe_rows[key].section, recipe_rows[key].key);
    if (!v->set) {
        json_object_set_new(all, name, json_null());
    } else if (recipe_rows[key].kind == KIND_RANGE) {
        snprintf(text, sizeof text, "%.17g of kind %d", v->si, (int)v->range);
        put_text(all, name, text);
    } else if (recipe_rows[key].kind == KIND_QUANTITY || recipe_rows[key].kind == KIND_COUNT) {
        put_real(all, name, v->si);
    } else {
        put_text(all, name, v->text);
    }
}

static void put_used(json_t *all, const struct curve_plan *plan)
{
    char name[128];
    for (int i = 0; i < LEVER_COUNT; i++) {
        snprintf(name, sizeof name, "%s as used", lever_rows[i].name);
        put_real(all, name, plan->lever.item[i].value);
        snprintf(name, sizeof name, "standard uncertainty of %s as used", lever_rows[i].name);
        put_real(all, name, plan->lever.item[i].u);
    }
}

/* Made from samples all over the map, and felt by every pixel. */
static void put_substrate(json_t *all, const struct curve_plan *plan)
{
    const struct plane *p = &plan->substrate;
    if (!plan->thickness_from_substrate) return;
    put_real(all, "substrate height as used", p->c[0]);
    put_real(all, "substrate slope along x as used", p->c[1]);
    put_real(all, "substrate slope along y as used", p->c[2]);
    put_real(all, "substrate scatter as used", p->scatter);
}

static void put_drift(json_t *all, const struct curve_plan *plan)
{
    if (plan->drift_from_volume) put_real(all, "drift step as used", plan->drift_seen.step);
}

char *identity_text(const struct maps_origin *origin)
{
    json_t *all = json_object();
    if (!all) return NULL;
    put_program(all);
    put_volume(all, origin);
    for (int i = 0; i < KEY_COUNT; i++)
        if (changes_numbers(i)) put_key(all, i, &origin->recipe->v[i]);
    put_used(all, origin->plan);
    put_text(all, "segment as used", origin->plan->segment == SEG_RETRACT ? "retract" : "approach");
    if (origin->parent) {
        put_text(all, "refit.of", origin->parent->digest);
        put_text(all, "refit.pixels", origin->parent->choice_digest);
    }
    put_substrate(all, origin->plan);
    put_drift(all, origin->plan);
    char *text = json_dumps(all, JSON_COMPACT | JSON_REAL_PRECISION(17));
    json_decref(all);
    return text;
}

static void show(const json_t *value, char *out, size_t size)
{
    char *text = value && !json_is_null(value)
                     ? json_dumps(value, JSON_ENCODE_ANY | JSON_REAL_PRECISION(6))
                     : NULL;
    snprintf(out, size, "%s", text ? text : "not set");
    free(text);
}

bool identity_same(const char *before, const char *now, char *difference, size_t size)
{
    char was[300], is[300];
    const char *key;
    json_t *value, *old = json_loads(before, 0, NULL), *new = json_loads(now, 0, NULL);
    bool same = json_is_object(old) && json_is_object(new);
    snprintf(difference, size, "it does not say what it was made from");
    json_object_foreach(new, key, value)
    {
        if (!same || json_equal(value, json_object_get(old, key))) continue;
        show(json_object_get(old, key), was, sizeof was);
        show(value, is, sizeof is);
        snprintf(difference, size, "%s was %s, now %s", key, was, is);
        same = false;
    }
    json_decref(old);
    json_decref(new);
    return same;
}
