/** The text files of a folder, of a tar, or a single one, one after another. */
#ifndef CANTLE_INTAKE_FILES_H
#define CANTLE_INTAKE_FILES_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct files;

/** The next file in memory. text ends with a 0 that size does not count. */
struct file_text {
    const char *name; /**< without folders */
    const char *text;
    size_t size;
};

/** @param pattern  extended regular expression that names must fit; NULL: all. Files of a folder
 *  come in the order of their names, numbers in them counted (strverscmp), those of a tar as they
 *  lie in it. Errors: ST_INPUT. */
enum status files_open(struct files **out, const char *path, const char *pattern,
                       struct report *rep) MUST_CHECK;
/** @param more  false behind the last one. Errors: ST_INPUT, ST_MEMORY. */
enum status files_next(struct files *f, struct file_text *out, bool *more,
                       struct report *rep) MUST_CHECK;
/** Files of a folder; 0 for a tar: it is not known. */
size_t files_count(const struct files *f);
void files_close(struct files **f); /**< accepts NULL */

#endif
