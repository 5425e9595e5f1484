/** Where a quantity is in a source: "WHERE", or "WHERE in UNIT", or a quantity as it stands. */
#ifndef CANTLE_INTAKE_PLACE_H
#define CANTLE_INTAKE_PLACE_H

#include "base/status.h"

#include <stddef.h>
#include <stdint.h>

/** kind, first word, what follows */
#define PLACE_LIST(P)                                                                              \
    P(column, "text: a column by name, or by number from 1")                                       \
    P(header, "text: a pattern for a header line; its first group is the number, a second one, "   \
              "if there is one, the unit")                                                         \
    P(name, "text: a pattern for the file's name; its first group is the number")                  \
    P(table, "text: a column of grid.table, by number from 1")                                     \
    P(member, "npy: an array of an .npz file")                                                     \
    P(file, "npy, raw: a file of the source folder, 'at BYTES' may follow for raw")                \
    P(data, "npy, raw: the source itself, 'at BYTES' may follow for raw")

enum place_kind {
    PLACE_none,
    PLACE_quantity, /**< "0.35 N/m" */
    PLACE_path,     /**< hdf5: "/group/dataset", "/group@attribute" */
#define P(name, help) PLACE_##name,
    PLACE_LIST(P)
#undef P
};

struct place {
    enum place_kind kind;
    double si;           /**< quantity */
    char what[256];      /**< path, column, pattern, file or member */
    char attribute[128]; /**< path: "" = the dataset itself */
    char unit[64];       /**< "" = not stated; "@NAME": the attribute NAME has it */
    int64_t at;          /**< raw: byte of the first number, -1 = source.header_bytes */
};

/** @param si_unit "1": plain numbers; "*": a signal, its unit follows from its stage
 *  Errors: ST_RECIPE, the message says what is wrong with the text. */
enum status place_find(const char *text, const char *si_unit, struct place *out,
                       struct report *rep) MUST_CHECK;

#endif
