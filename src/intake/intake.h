/** The way in: a source of any kind and its import description become an open volume. */
#ifndef CANTLE_INTAKE_INTAKE_H
#define CANTLE_INTAKE_INTAKE_H

#include "intake/description.h"
#include "volume/volume.h"

#include <stdio.h>

/** What a description lacks before the source is looked at. */
enum { MOST_WANTS = 32 };
struct wants {
    size_t n;
    struct want {
        enum intake_key key;
        const char *why, *line; /**< static text; line: what may stand behind "key: " */
    } item[MOST_WANTS];
};

/** The kind that is described, or that the file itself shows (a volume), -1 when it cannot be told.
 */
int intake_kind_of(const struct description *d, const char *path);

/** All that must be said and is not. */
void intake_wants(const struct description *d, int kind, struct wants *out);

/** Open one source. progress: for text, which is read as a whole; NULL = silent. Memory: the
 * [ny,nx] arrays and one tile; text goes through a temporary file of the size of its numbers.
 * Errors: ST_RECIPE for what is missing in the description (with the line to add), ST_INPUT. */
enum status intake_open(struct volume **out, const struct description *d, const char *path,
                        FILE *progress, struct report *rep) MUST_CHECK;

/** Calibration that stands in the description as values, else in its lever file; the rest is NaN.
 * Errors: ST_RECIPE. */
enum status intake_calibration(const struct description *d, struct lever *out,
                               struct report *rep) MUST_CHECK;

/** Whether a volume opened this way can be read tile by tile without a copy: text cannot. */
bool intake_is_direct(const struct description *d);

/** Digest of the source's bytes as text: XXH3-128 (base/digest.h) of a file with seed 0; of a
 * folder the sum over its files in the order of their names, seed = number in that order. Several
 * sources: seeds go on. Errors: ST_INPUT. */
enum status intake_digest(const char *const *path, size_t n, FILE *progress, char out[33],
                          uint64_t *bytes, struct report *rep) MUST_CHECK;

/** A look at a source that is not described yet: arrays, or the first lines, for people. Errors:
 * ST_INPUT. */
enum status intake_look(const struct description *d, const char *path, FILE *out,
                        struct report *rep) MUST_CHECK;

#endif
