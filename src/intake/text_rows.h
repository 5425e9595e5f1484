/** Text: the columns of one file, and which rows belong to which segment. */
#ifndef CANTLE_INTAKE_TEXT_ROWS_H
#define CANTLE_INTAKE_TEXT_ROWS_H

#include "curve/curve.h"
#include "intake/files.h"
#include "intake/text_numbers.h"

enum segmentation {
    SEGMENTS_SEPARATE,
    SEGMENTS_TURN,
    SEGMENTS_MARKER,
    SEGMENTS_BLOCKS,
    SEGMENTS_FILES
};

/** Columns of a segment, in this order. */
enum { LEAF_SIGNAL, LEAF_Z, LEAF_LATERAL, LEAF_COUNT };

/** The key that says where a column is: the segment's own, or the approach's where the segments
 * share their columns; it may not be given. */
enum intake_key text_leaf_key(const struct description *d, enum segment_id id, int leaf);
/** Whether the description has a segment. */
bool text_has_segment(const struct description *d, enum segment_id id);

struct text_rows;
/** NULL without memory. */
struct text_rows *text_rows_new(const struct description *d);
void text_rows_free(struct text_rows **r); /**< accepts NULL */

/** segments files: which segment the next file is of, and the name of its curve: that of the file
 * without what fits in_files. Caller frees it. Errors: ST_INPUT where no pattern fits, or two. */
enum status text_rows_file(struct text_rows *r, const char *name, enum segment_id *id, char **curve,
                           struct report *rep) MUST_CHECK;

/** Read a file; its header lines go to `numbers` as well. Errors: ST_INPUT, ST_RECIPE, with the
 * line of the file. */
enum status text_rows_read(struct text_rows *r, const struct file_text *file,
                           struct text_numbers *numbers, struct report *rep) MUST_CHECK;

/** A column of a segment: n values, valid until the next read; NULL where it is not given. */
const double *text_rows_column(const struct text_rows *r, enum segment_id id, int leaf, size_t *n);

#endif
