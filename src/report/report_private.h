/** Inside of a report: blocks of data, and the facts that say what is in them. */
#ifndef CANTLE_REPORT_REPORT_PRIVATE_H
#define CANTLE_REPORT_REPORT_PRIVATE_H

#include "report/report.h"

/** One element <script type="text/plain" id="NAME"> with base64 in it. */
struct block {
    char name[80];
    char *text; /**< owned */
    size_t n;
};

struct html_report {
    const struct maps_view *view;
    size_t most, used; /**< bytes */
    struct block *block;
    size_t n_blocks, room;
    json_t *facts, *maps, *curves, *cautions; /**< the last three borrowed from facts */
    char *json;                               /**< the facts as they are written, owned */
};

/** Bytes of a block with `n` bytes of data. */
size_t block_size(size_t n);
/** Add a block: `n` items of `item` bytes each, written in little-endian order. Errors: ST_MEMORY.
 */
enum status block_add(struct html_report *r, const char *name, const void *data, size_t item,
                      size_t n, struct report *rep) MUST_CHECK;

/** Append a fact to one of the lists; takes the reference. Errors: ST_MEMORY. */
enum status list_add(struct html_report *r, json_t *list, json_t *value,
                     struct report *rep) MUST_CHECK;

/** A number, or null for NaN and infinity. */
json_t *number_json(double value);

/** Axes, states, flags, colours: what does not depend on what is embedded. */
enum status facts_of_view(struct html_report *r, struct report *rep) MUST_CHECK;

#endif
