/** Inside of `cantle calibrate`: what was asked for, and its three tasks. */
#ifndef CANTLE_COMMAND_CALIBRATE_H
#define CANTLE_COMMAND_CALIBRATE_H

#include "base/digest.h"
#include "calibration/lever_file.h"
#include "calibration/oscillator.h"
#include "calibration/spring.h"

#include <jansson.h>
#include <stdbool.h>

/** One row a task: word, what it does. */
#define TASK_LIST(T)                                                                               \
    T(sensitivity,                                                                                 \
      "deflection sensitivity from curves on a rigid surface, or with --thermal from a "           \
      "spring constant that is known")                                                             \
    T(spring,                                                                                      \
      "spring constant from thermal noise, resonance and quality factor, added masses, or "        \
      "dimensions")                                                                                \
    T(tip, "tip radius, angle or area function from curves on a sample of known modulus")
enum calibrate_task {
#define T(name, words) TASK_##name,
    TASK_LIST(T)
#undef T
        TASK_COUNT
};

struct pixel_span {
    size_t first, last; /**< last = SIZE_MAX: to the end */
};

/** The command line in SI. Texts are NULL and numbers NaN where not given. */
struct calibrate_wish {
    int task;
    const char *file, *recipe;
    const char *lever, *name, *medium, *thermal, *dataset, *unit, *motion, *window, *segment,
        *method, *earlier, *area;
    bool overwrite, json, all, spectrum, whole, lateral;
    double from, to, outlier, averages, near_hz, low_hz, high_hz, z_scale_u;
    size_t column, axis;
    struct pixel_span rows, columns;
    struct unsure input[SPRING_INPUTS]; /**< area is never given */
    struct unsure rate_hz, spring, free_hz, modulus;
    size_t masses;
    struct unsure mass_kg[SPRING_MASSES], loaded_hz[SPRING_MASSES];
};

/** Everything a task says, printed at the end as text or as JSON. */
struct calibrate_report {
    json_t *json;     /**< object; owned */
    json_t *cautions; /**< array in it */
    bool text;        /**< lines are printed as they come */
};

/** "0.06 +- 0.003 N/m", "0.06 N/m +- 5 %" or "0.06 N/m" to SI. Errors: ST_USAGE. */
enum status calibrate_quantity(const char *text, const char *si_unit, struct unsure *out,
                               struct report *rep) MUST_CHECK;

/** Options and words to a wish. Errors: ST_USAGE. */
struct world;
enum status calibrate_options(int argc, char **argv, const struct world *world,
                              struct calibrate_wish *out, bool *done,
                              struct report *rep) MUST_CHECK;

/** The lever file of the wish: its values, or an empty one when it is not there yet. quantity: what
 *  will be added. Errors: those of lever_file_load; ST_OUTPUT when it is held already. */
enum status calibrate_lever_open(const struct calibrate_wish *wish, const char *quantity,
                                 struct lever_file *out, struct report *rep) MUST_CHECK;

/** Add records with date, temperature, medium and source, and write the file; nothing to do without
 *  --lever. Errors: ST_OUTPUT. */
enum status calibrate_lever_close(const struct calibrate_wish *wish, struct lever_file *f,
                                  struct lever_record *record, size_t n, const char *source,
                                  const char *digest, struct report *rep) MUST_CHECK;

/** What the lever file knows and the command line did not say. */
void calibrate_fill(struct calibrate_wish *wish, const struct lever_file *f);

/** A caution: printed as a line, and collected. */
void calibrate_caution(struct calibrate_report *r, const char *fmt, ...) PRINTF_LIKE(2, 3);
/** The caution of sanity.h, if there is one. */
void calibrate_judge(struct calibrate_report *r, const char *quantity, double value);

/** A thermal spectrum with its fit, told in the report; area in V^2 (m^2 over the sensitivity
 *  squared). *digest: [33]. Errors: ST_INPUT, ST_USAGE for what is not said. */
enum status calibrate_thermal(const struct calibrate_wish *wish, struct oscillator *out,
                              char *digest, struct calibrate_report *r,
                              struct report *rep) MUST_CHECK;

/** Area and its relative u of the part that the share is for. */
struct unsure calibrate_area(const struct calibrate_wish *wish, const struct oscillator *o);
/** contact or free. */
enum motion calibrate_motion(const struct calibrate_wish *wish);
/** "0.8174 = ..." */
void calibrate_tell_share(struct calibrate_report *r, enum motion motion, enum band band);

enum status calibrate_sensitivity(struct calibrate_wish *wish, struct calibrate_report *r,
                                  struct report *rep) MUST_CHECK;
enum status calibrate_inverse(struct calibrate_wish *wish, struct calibrate_report *r,
                              struct report *rep) MUST_CHECK;
enum status calibrate_spring(struct calibrate_wish *wish, struct calibrate_report *r,
                             struct report *rep) MUST_CHECK;
enum status calibrate_tip(struct calibrate_wish *wish, struct calibrate_report *r,
                          struct report *rep) MUST_CHECK;

#endif
