/** Two map files of the same pixels, compared. */
#ifndef CANTLE_COMMAND_COMPARISON_H
#define CANTLE_COMMAND_COMPARISON_H

#include "base/progress.h"
#include "maps/maps.h"
#include "review/agreement.h"
#include "review/criterion.h"

#include <jansson.h>

/** One map that both files hold. SI. */
struct compared_map {
    bool there, same;         /**< same: bit for bit, in all pixels that are compared */
    struct agreement plain;   /**< of the values */
    struct agreement logs;    /**< of their logarithms, where the map's scale is one */
    bool ratios;              /**< logs is made */
    size_t with_u, beyond[2]; /**< pixels with both standard errors; difference beyond 1, 2 joint */
    bool has_u;
};

struct compared_flag {
    size_t lost, gained, both; /**< pixels: in A only, in B only, in both */
};

struct comparison {
    struct maps_view a, b;
    FILE *progress;                           /**< for people; NULL = silent */
    bool known_input;                         /**< both files say what they were made from */
    bool same_input;                          /**< same digest of the input: the same curves */
    bool wanted[MAP_COUNT], shown[MAP_COUNT]; /**< in JSON and files; in text and figures */
    uint8_t *chosen;                          /**< [ny*nx] by the mask; NULL = all */
    bool *use;                                /**< [ny*nx] accepted or doubtful in both */
    size_t n, used, copied;    /**< copied: by a refit from its parent; they take no part */
    double *va, *vb, *ua, *ub; /**< [n] SI, of the map in work */
    struct compared_map map[MAP_COUNT];
    struct compared_flag flag[FLAG_COUNT];
    size_t state[STATE_COUNT][STATE_COUNT]; /**< pixels by state in A, in B */
    json_t *recipe, *used_values;           /**< what differs: [{key, old, new}] */
    char no_criterion[300];                 /**< why there is none; "" = there is one */
    double *aicc, *bic;                     /**< [n] B less A; NaN where they cannot be compared */
    size_t unlike;                          /**< pixels with both fits, but of other samples */
    struct criterion_table aicc_table, bic_table;
};

/** Load and compare. mask: of pixels of A (docs/masks.md), or NULL. Errors: ST_USAGE for the mask;
 * ST_INPUT when a file cannot be read, or the grids differ. On failure
 *  comparison_free all the same. */
enum status comparison_make(struct comparison *c, const char *a, const char *b, const char *mask,
                            struct report *rep) MUST_CHECK;
void comparison_free(struct comparison *c);

/** Values and errors of one map of both files into c->va, vb, ua, ub; NaN where none. */
enum status comparison_load(struct comparison *c, enum map_id id, struct report *rep) MUST_CHECK;

/** All numbers; NULL without memory. */
json_t *comparison_json(const struct comparison *c);
/** On standard output. */
void comparison_print(const struct comparison *c);
/** FIGURE with the plots of Bland and Altman, and beside it FIGURE-maps with the maps of the
 * differences. maps_path [4096] gets the latter's name. */
enum status comparison_figures(struct comparison *c, const char *path, char maps_path[4096],
                               struct report *rep) MUST_CHECK;
/** Difference and ratio of every wanted map, and the criteria, as planes. */
enum status comparison_write(struct comparison *c, const char *path, bool overwrite,
                             struct report *rep) MUST_CHECK;

/** What an information criterion does not say. */
extern const char *const comparison_caution;

#endif
