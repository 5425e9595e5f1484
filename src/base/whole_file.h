/** A file that appears whole or not at all: written beside its place, then renamed. */
#ifndef CANTLE_BASE_WHOLE_FILE_H
#define CANTLE_BASE_WHOLE_FILE_H

#include "base/status.h"

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

struct whole_file {
    const char *path; /**< borrowed */
    char *part;       /**< name beside it while it is written; owned */
    bool overwrite;
};

/** Refuse what may not be replaced (output_check), make the file beside it and make sure that
 *  `bytes` can be written. On failure nothing is left. Errors: ST_OUTPUT, ST_MEMORY. */
enum status whole_begin(struct whole_file *w, const char *path, const char *input, bool overwrite,
                        uint64_t bytes, struct report *rep) MUST_CHECK;

/** The part's stream, opened for writing. Errors: ST_OUTPUT. */
enum status whole_open(const struct whole_file *w, FILE **out, struct report *rep) MUST_CHECK;
/** Close with a look at errors and sync; sets *f NULL. Errors: ST_OUTPUT. */
enum status whole_close(const struct whole_file *w, FILE **f, struct report *rep) MUST_CHECK;

/** Rename into place when st is ST_OK, else remove; frees. @return st, or the failure */
enum status whole_finish(struct whole_file *w, enum status st, struct report *rep) MUST_CHECK;

#endif
