/** The places of an output: refuse what exists, reserve, publish without overwriting. No HDF5. */
#ifndef CANTLE_BASE_OUTPUT_FILE_H
#define CANTLE_BASE_OUTPUT_FILE_H

#include "base/status.h"

#include <stdbool.h>
#include <stdint.h>

/** ST_OUTPUT if `path` exists and may not be replaced (no overwrite, a folder, a device), or is the
 * file `input` itself. */
enum status output_check(const char *path, const char *input, bool overwrite,
                         struct report *rep) MUST_CHECK;

/** Create an empty file that did not exist. `bytes` > 0: also ask whether that much can be written,
 * so that a full disk or a size limit shows at once. Errors: ST_OUTPUT with the cause; nothing is
 * left. */
enum status output_reserve(const char *path, uint64_t bytes, struct report *rep) MUST_CHECK;

/** Rename `from` to `to` and make that durable. Without overwrite an existing `to` is never
 * replaced. */
enum status output_publish(const char *from, const char *to, bool overwrite,
                           struct report *rep) MUST_CHECK;

/** Lock a file that this run is writing, so that no other run takes it for a left-over. The lock
 * lies on one byte far behind any data and belongs to the descriptor; it ends with the process.
 *  @return ST_OUTPUT when another run holds it. On a file system without locks: ST_OK, unlocked */
enum status output_lock(const char *path, int *fd, struct report *rep) MUST_CHECK;

/** The same descriptor without the lock, for a file whose lock another run holds. */
enum status output_open(const char *path, int *fd, struct report *rep) MUST_CHECK;

/** Name of a file beside `path` for a step of the work: PATH.STEP-0123abcd with `token`, which
 * nobody guesses; malloc'd, NULL without memory. */
char *output_side_name(const char *path, const char *step, uint64_t token);

/** Remove what killed runs left of such files: those of this step that nobody has locked. */
void output_sweep(const char *path, const char *step);

/** Is `path` still the file that was locked? */
bool output_is_ours(const char *path, int fd);

#endif
