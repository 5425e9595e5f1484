#include "review/mask_private.h"

#include "base/words.h"
#include "review/regions.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum status mask_at(struct report *rep, enum status st, const char *text, size_t place)
{
    char rest[40];
    size_t character = 1;
    for (size_t i = 0; i < place; i++) /* a character of several bytes counts once */
        character += ((unsigned char)text[i] & 0xC0) != 0x80;
    words_excerpt(text + place, rest, sizeof rest);
    if (!text[place]) return within(rep, st, "mask, at its end (character %zu): ", character);
    return within(rep, st, "mask, character %zu (at '%s'): ", character, rest);
}

static void free_node(struct mask_node *n)
{
    if (!n) return;
    free_node(n->a);
    free_node(n->b);
    free(n->corner);
    free(n);
}

void mask_free(struct mask **m)
{
    if (!*m) return;
    free_node((*m)->root);
    for (size_t i = 0; i < (*m)->n_sources; i++) {
        free((*m)->source[i].file);
        free((*m)->source[i].path);
        free((*m)->source[i].value);
    }
    free((*m)->source);
    free((*m)->text);
    free(*m);
    *m = NULL;
}

size_t mask_sources(const struct mask *m)
{
    return m->n_sources;
}

struct mask_source *mask_source(struct mask *m, size_t i)
{
    return &m->source[i];
}

/* What one application carries along. */
struct use {
    const struct mask *mask;
    const struct mask_grid *grid;
    struct report *rep;
};

static enum status plane_of(const struct use *u, const struct mask_node *n, const float **out)
{
    *out = n->error ? u->grid->error[n->map] : u->grid->map[n->map];
    if (*out) return ST_OK;
    char label[64];
    map_label(n->map, label);
    enum status st = fail(u->rep, ST_USAGE, "the file has no map '%s%s'", label,
                          n->error ? "_errors" : "");
    return mask_at(u->rep, st, u->mask->text, n->place);
}

static bool compares(double value, enum mask_order order, double limit)
{
    switch (order) {
    case ORDER_LESS:
        return value < limit;
    case ORDER_LESS_EQUAL:
        return value <= limit;
    case ORDER_GREATER:
        return value > limit;
    default:
        return value >= limit;
    }
}

/* Compared in float, as the file keeps its numbers: 0.1 in the file is not less than 0.1. */
static enum status apply_map(const struct use *u, const struct mask_node *n, uint8_t *out)
{
    const float *plane;
    enum status st = plane_of(u, n, &plane);
    if (st != ST_OK) return st;
    double limit = (double)(float)(n->number / u->grid->factor[n->map]);
    for (size_t i = 0; i < u->grid->ny * u->grid->nx; i++)
        out[i] = n->kind == MASK_KNOWN ? isfinite(plane[i]) != 0
                                       : compares((double)plane[i], n->order, limit);
    return ST_OK;
}

static void apply_marks(const struct use *u, const struct mask_node *n, uint8_t *out)
{
    const struct mask_grid *g = u->grid;
    for (size_t i = 0; i < g->ny * g->nx; i++) {
        bool marked = n->kind == MASK_FLAG ? (g->flags[i] >> n->which & 1) != 0
                                           : g->state[i] == n->which;
        out[i] = marked;
    }
}

static void apply_dataset(const struct use *u, const struct mask_node *n, uint8_t *out)
{
    const double *value = u->mask->source[n->which].value;
    for (size_t i = 0; i < u->grid->ny * u->grid->nx; i++)
        out[i] = n->has_number ? value[i] == n->number : !isnan(value[i]) && value[i] != 0;
}

static bool in_rectangle(const double *corner, double x, double y)
{
    return x >= fmin(corner[0], corner[2]) && x <= fmax(corner[0], corner[2]) &&
           y >= fmin(corner[1], corner[3]) && y <= fmax(corner[1], corner[3]);
}

/* How often does a ray towards larger x cross an edge: odd is inside. */
static bool in_polygon(const double *corner, size_t n, double x, double y)
{
    bool inside = false;
    for (size_t i = 0, j = n - 1; i < n; j = i++) {
        const double *a = corner + 2 * i, *b = corner + 2 * j;
        if ((a[1] > y) != (b[1] > y) && x < (b[0] - a[0]) * (y - a[1]) / (b[1] - a[1]) + a[0])
            inside = !inside;
    }
    return inside;
}

static void apply_shape(const struct use *u, const struct mask_node *n, uint8_t *out)
{
    const struct mask_grid *g = u->grid;
    for (size_t i = 0; i < g->ny; i++)
        for (size_t j = 0; j < g->nx; j++)
            out[i * g->nx + j] = n->kind == MASK_RECTANGLE
                                     ? in_rectangle(n->corner, g->x_m[j], g->y_m[i])
                                     : in_polygon(n->corner, n->n_corners, g->x_m[j], g->y_m[i]);
}

/* Keep the regions of out that are large enough; the first of equally large ones is the largest. */
static void keep_regions(const struct use *u, const struct mask_node *n, const uint32_t *label,
                         double *size, uint32_t count, uint8_t *out)
{
    const struct mask_grid *g = u->grid;
    uint32_t largest = 0;
    for (size_t i = 0; i < g->ny; i++)
        for (size_t j = 0; j < g->nx; j++)
            size[label[i * g->nx + j]] += n->in_pixels ? 1
                                                       : regions_pixel_area(g->ny, g->nx, g->y_m,
                                                                            g->x_m, i, j);
    size[0] = -1;
    for (uint32_t k = 1; k <= count; k++)
        if (size[k] > size[largest]) largest = k;
    /* sums of areas: a limit of just as many pixels must hold */
    double least = n->number * (1 - 1e-9);
    for (size_t i = 0; i < g->ny * g->nx; i++)
        out[i] = label[i] > 0 &&
                 (n->kind == MASK_LARGEST ? label[i] == largest : size[label[i]] >= least);
}

static enum status apply_regions(const struct use *u, const struct mask_node *n, uint8_t *out)
{
    const struct mask_grid *g = u->grid;
    uint32_t count = 0, *label = malloc(g->ny * g->nx * sizeof *label);
    double *size = NULL;
    enum status st = label ? regions_label(g->ny, g->nx, out, label, &count, u->rep) : ST_MEMORY;
    if (st == ST_OK) size = calloc((size_t)count + 1, sizeof *size);
    if (!size) st = fail(u->rep, ST_MEMORY, "not enough memory for the regions of a mask");
    if (st == ST_OK) keep_regions(u, n, label, size, count, out);
    free(label);
    free(size);
    return st;
}

static enum status apply(const struct use *u, const struct mask_node *n, uint8_t *out);

static enum status apply_pair(const struct use *u, const struct mask_node *n, uint8_t *out)
{
    size_t count = u->grid->ny * u->grid->nx;
    enum status st = apply(u, n->a, out); /* a long chain hangs here: no buffer is held */
    if (st != ST_OK) return st;
    uint8_t *other = malloc(count);
    if (!other) return fail(u->rep, ST_MEMORY, "not enough memory for a mask");
    st = apply(u, n->b, other);
    for (size_t i = 0; i < count && st == ST_OK; i++)
        out[i] = n->kind == MASK_AND ? out[i] & other[i] : out[i] | other[i];
    free(other);
    return st;
}

static enum status apply(const struct use *u, const struct mask_node *n, uint8_t *out)
{
    enum status st = ST_OK;
    switch (n->kind) {
    case MASK_AND:
    case MASK_OR:
        return apply_pair(u, n, out);
    case MASK_NOT:
        st = apply(u, n->a, out);
        for (size_t i = 0; i < u->grid->ny * u->grid->nx && st == ST_OK; i++)
            out[i] = !out[i];
        return st;
    case MASK_COMPARE:
    case MASK_KNOWN:
        return apply_map(u, n, out);
    case MASK_FLAG:
    case MASK_STATE:
        apply_marks(u, n, out);
        return ST_OK;
    case MASK_RECTANGLE:
    case MASK_POLYGON:
        apply_shape(u, n, out);
        return ST_OK;
    case MASK_DATASET:
        apply_dataset(u, n, out);
        return ST_OK;
    case MASK_LARGEST:
    case MASK_REGIONS:
        st = apply(u, n->a, out);
        return st == ST_OK ? apply_regions(u, n, out) : st;
    }
    return ST_OK;
}

enum status mask_apply(const struct mask *m, const struct mask_grid *g, uint8_t *out,
                       struct report *rep)
{
    const struct use u = {m, g, rep};
    return apply(&u, m->root, out);
}
