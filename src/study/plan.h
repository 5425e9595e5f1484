/** A study: many volumes with groups, one recipe, exceptions. The file study.yaml and what follows
 * from it. */
#ifndef CANTLE_STUDY_PLAN_H
#define CANTLE_STUDY_PLAN_H

#include "curve/result.h"
#include "recipe/recipe.h"

#include <stdbool.h>
#include <stddef.h>

#define STUDY_FORMAT "cantle-study-1"

enum { STUDY_VOLUMES_MOST = 10000, STUDY_EXCEPTIONS_MOST = 64, STUDY_MAPS_MOST = 16 };

/** One volume. Paths are as a program in the current folder opens them. Owned texts. */
struct study_volume {
    char *volume, *recipe, *maps, *log; /**< recipe: the one that it is mapped with */
    char *condition_name, *sample_name, *cell_name;
    size_t condition, sample, cell; /**< numbers of these in the study, unique */
    bool own_recipe;                /**< recipe is made from the study's and its exceptions */
    size_t n_exceptions;
    char **exception; /**< "section.key = value" */
};

struct study {
    char *path, *title, *folder, *recipe; /**< folder: of results */
    size_t n_maps;
    enum map_id map[STUDY_MAPS_MOST];
    size_t n;
    struct study_volume *volume; /**< [n] in the order of the file */
    size_t conditions, samples, cells;
    const char **condition; /**< [conditions] names, in the order in which they come; borrowed */
};

/** Read and check study.yaml: names, groups, maps, and each recipe with its exceptions, so that
 * nothing is found wrong after hours. Volumes are not opened. Errors: ST_INPUT when a file cannot
 * be read; ST_RECIPE with path, and line or number of the volume; ST_MEMORY. *out holds nothing to
 * free on failure. */
enum status study_load(struct study *out, const char *path, struct report *rep) MUST_CHECK;
void study_free(struct study *s);

/** The recipe of a volume with exceptions as text, malloc'd. Errors: ST_RECIPE, ST_INPUT,
 * ST_MEMORY. */
enum status study_recipe_text(const struct study *s, const struct study_volume *v, char **out,
                              struct report *rep) MUST_CHECK;

#endif
