/** What the map files of a study say: one row a volume, and what the groups come to. */
#ifndef CANTLE_STUDY_TABLE_H
#define CANTLE_STUDY_TABLE_H

#include "base/whole_file.h"
#include "curve/result.h"
#include "review/nested.h"
#include "study/run.h"

/** One volume. Numbers in SI. */
struct study_row {
    bool there;    /**< its map file is finished and could be read */
    char why[600]; /**< why not, when it is not there */
    size_t state[STATE_COUNT], tip_changes;
    struct {
        size_t n; /**< accepted and doubtful pixels with a value */
        double median, q25, q75;
    } map[STUDY_MAPS_MOST]; /**< as study.map */
};

/** One map over the whole study. */
struct study_map {
    struct nested_value *cell; /**< [cells] one value a cell, by condition, sample, cell; owned */
    size_t cells;
    struct nested_group *group;           /**< [conditions] owned */
    struct nested_difference *difference; /**< [pairs] first < second, in order; owned */
    double *holm_p;                       /**< [pairs] owned */
    bool ratio; /**< effects are ratios: the map is one that is drawn on a logarithmic scale */
};

struct study_table {
    struct study_row *row; /**< [s->n] owned */
    size_t volumes;        /**< that are there */
    size_t pairs;          /**< of conditions */
    struct study_map map[STUDY_MAPS_MOST];
};

/** Read the map files that are there and sum them up. A file that is missing, not finished or
 * spoilt is told in its row; so is a volume that failed in this run, whose map file, if there is
 * one, is of other work.
 *  @param outcome  [s->n] as study_map_all left it; NULL = nothing was mapped. Errors: ST_MEMORY.
 */
enum status study_collect(const struct study *s, const struct study_outcome *outcome,
                          struct study_table *out, struct report *rep) MUST_CHECK;
void study_table_free(struct study_table *t);

/** "soft" and "stiff" of pair i. */
void study_pair(const struct study *s, size_t pair, size_t *first, size_t *second);

/** study.csv, study.json, study-MAP.png, study.html in the folder of results; what is there is
 * replaced. `outcome` [s->n] as study_map_all left it, or NULL. Errors: ST_OUTPUT, ST_TOOL (no
 * gnuplot), ST_MEMORY. */
enum status study_write_csv(const struct study *s, const struct study_table *t,
                            struct report *rep) MUST_CHECK;
enum status study_write_json(const struct study *s, const struct study_table *t,
                             struct report *rep) MUST_CHECK;
enum status study_draw(const struct study *s, const struct study_table *t,
                       struct report *rep) MUST_CHECK;
enum status study_write_page(const struct study *s, const struct study_table *t,
                             struct report *rep) MUST_CHECK;
/** What is in study.json. Errors: ST_MEMORY. */
enum status study_print_json(FILE *out, const struct study *s, const struct study_table *t,
                             struct report *rep) MUST_CHECK;
/** The same results as text: conditions, then comparisons. */
void study_print(FILE *out, const struct study *s, const struct study_table *t);

/** One file of results, FOLDER/NAME: it appears whole, in place of an older one, or not at all. */
struct study_file {
    FILE *out;
    char path[4096];
    struct whole_file whole;
};
enum status study_open(const struct study *s, const char *name, struct study_file *f,
                       struct report *rep) MUST_CHECK;
/** @param st  of the writing; its failure removes what was written. @return st, or the failure */
enum status study_close(struct study_file *f, enum status st, struct report *rep) MUST_CHECK;

#endif
