/** The volumes of a study, mapped one after the other by processes of this same program. No shell.
 */
#ifndef CANTLE_STUDY_RUN_H
#define CANTLE_STUDY_RUN_H

#include "study/plan.h"

#include <stdio.h>

/** How a volume fared. */
enum study_fate { FATE_MISSING, FATE_MAPPED, FATE_KEPT, FATE_REJECTED, FATE_FAILED };

struct study_outcome {
    enum study_fate fate;
    char why[600]; /**< of a failure, in the words of `cantle map` */
};

struct study_run {
    int ranks;      /**< of each volume; 1 = without mpiexec */
    bool overwrite; /**< maps that were made from another recipe or volume are made again */
    FILE *tell;     /**< one line a volume; NULL = quiet */
    FILE *progress; /**< while a volume is at work; NULL = quiet */
};

/** Make the folder of results and the recipes with exceptions in it. Errors: ST_OUTPUT, and those
 * of study_recipe_text. */
enum status study_prepare(const struct study *s, struct report *rep) MUST_CHECK;

/** Map every volume with --resume: what is finished and unchanged is kept, what was cut off goes
 * on. A volume that fails does not stop the others. What each says goes into its log. outcome
 * [s->n]. Errors: ST_TOOL when nothing can be started; ST_STOPPED after a signal, which the volume
 * at work was given too.
 */
enum status study_map_all(const struct study *s, const struct study_run *run,
                          struct study_outcome *outcome, struct report *rep) MUST_CHECK;

/** The list that jobs/slurm/submit-list and jobs/pbs/submit-list take, into the folder of results,
 * with whole paths. path: its name, [4096]. Errors: ST_OUTPUT. */
enum status study_write_list(const struct study *s, char path[4096], struct report *rep) MUST_CHECK;

#endif
