/** The lever file: what `cantle calibrate` found, one small YAML record that recipes include by
 * name (calibration.lever_file). Every value is a text with a unit, so that people can read and
 * mend it. */
#ifndef CANTLE_CALIBRATION_LEVER_FILE_H
#define CANTLE_CALIBRATION_LEVER_FILE_H

#include "calibration/lever.h"

#include <stddef.h>
#include <stdio.h>

#define LEVER_FILE_FORMAT "cantle-lever-1"

/** One row a field of a value: name, size of its text, meaning. Only quantity and value must be. */
#define LEVER_FIELD_LIST(F)                                                                        \
    F(quantity, 48, "what it is: a name of a key of a recipe, or one of those below")              \
    F(value, 64, "number and unit")                                                                \
    F(u, 64, "its standard uncertainty, all that is known combined")                               \
    F(u_random, 64, "the part of it that comes from the scatter of repeated measurements")         \
    F(method, 64, "how it was found")                                                              \
    F(tilt, 24,                                                                                    \
      "spring constant: `contained` for a force along z at the tilt it was found at, `not "        \
      "contained` for the lever's own")                                                            \
    F(correlated_with, 48, "the quantity it was found with, so that both err together")            \
    F(correlated_value, 64, "the value of that quantity it was found with")                        \
    F(correlation, 32, "correlation coefficient of the two")                                       \
    F(per_spring_constant, 32,                                                                     \
      "of a tip found with this lever: change of ln radius, or of the angle in rad, for each "     \
      "unit "                                                                                      \
      "of ln of the spring constant")                                                              \
    F(per_sensitivity, 32, "the same for the deflection sensitivity")                              \
    F(u_besides, 64, "what remains of u without these two")                                        \
    F(date, 40, "when, ISO 8601")                                                                  \
    F(temperature, 32, "of the lever")                                                             \
    F(medium, 64, "around it")                                                                     \
    F(source, 256, "file it was found from")                                                       \
    F(source_digest, 64, "digest of that file")                                                    \
    F(remark, 256, "anything else, in words")

struct lever_texts {
#define F(name, size, words) char name[size];
    LEVER_FIELD_LIST(F)
#undef F
};

/** Quantities that a lever file may hold besides those of LEVER_LIST: carried along, not used by a
 *  map. name, SI unit */
#define LEVER_EXTRA_LIST(E)                                                                        \
    E(resonance, "Hz")                                                                             \
    E(quality_factor, "1")                                                                         \
    E(torsional_constant, "N m")                                                                   \
    E(lateral_spring_constant, "N/m")

struct lever_record {
    struct lever_texts text;
    int item;        /**< enum lever_item, or LEVER_COUNT and more for the extra ones */
    double value, u; /**< SI; u NaN when not stated */
    double u_random; /**< NaN when not stated */
    double correlation, correlated_value;                   /**< NaN when there is none */
    double per_spring_constant, per_sensitivity, u_besides; /**< NaN likewise */
    enum spring_tilt tilt;
};

enum { LEVER_RECORDS = 32 };
struct lever_file {
    char name[128]; /**< of the lever, in the user's words */
    size_t n;
    struct lever_record record[LEVER_RECORDS];
};

/** SI unit of a quantity; NULL if a lever file cannot hold it. */
const char *lever_file_unit(const char *quantity);

/** Errors: ST_RECIPE "PATH: line N ..." or "PATH: QUANTITY: ...", with what is valid; ST_MEMORY. */
enum status lever_file_parse(struct lever_file *out, const char *text, size_t size,
                             const char *path, struct report *rep) MUST_CHECK;
/** The same from a file of at most 1 MiB; ST_INPUT when it cannot be read. */
enum status lever_file_load(struct lever_file *out, const char *path,
                            struct report *rep) MUST_CHECK;

/** NULL when it is not there. */
const struct lever_record *lever_file_find(const struct lever_file *f, const char *quantity);

/** What the file says of spring constant and sensitivity besides their values: tilt, and how they
 * hang together, into out. in_use: whether they are the file's own in out, with its uncertainties.
 */
void lever_file_pair(const struct lever_file *f, bool spring_in_use, bool pair_in_use,
                     struct lever *out);

/** Fill quantity, value and u (text and numbers) of a new record; the rest is empty. */
struct lever_record lever_record_make(const char *quantity, double value, double u);

/** Add or replace. Errors: ST_OUTPUT when it is held already and not `replace`, or the file is
 * full. */
enum status lever_file_put(struct lever_file *f, const struct lever_record *r, bool replace,
                           struct report *rep) MUST_CHECK;

/** As YAML text, malloc'd; caller frees. Errors: ST_MEMORY, ST_BUG. */
enum status lever_file_text(const struct lever_file *f, char **out, size_t *size,
                            struct report *rep) MUST_CHECK;

#endif
