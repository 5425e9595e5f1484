/** Private to curve/: a pixel's samples in the order of time, for what asks for time. */
#ifndef CANTLE_CURVE_IN_TIME_H
#define CANTLE_CURVE_IN_TIME_H

#include "contact/ting.h"
#include "curve/fit_private.h"

/** Samples of a segment that are kept; longer ones are averaged in blocks. */
enum { TIME_MOST = 4096 };
/** Room that is always there, for curves of reckoning. */
enum { TIME_FEWEST = 256 };

/** Buffers; [n] below is for all parts together. */
struct time_work {
    size_t n_max;          /**< samples of all parts together */
    double *block;         /**< owns the arrays */
    double *z, *d;         /**< [n] piezo displacement; deflection, NaN where it is missing */
    double *segment;       /**< [n_max of a segment] */
    double *y, *column[3]; /**< fit set: deflection; linear columns */
    double *force, *other; /**< [n] of the model */
    double *rest;          /**< fit set: residuals */
    size_t *index;         /**< fit set -> sample in time */
    struct ting_work *ting;
    struct fit_work *fit;
};

struct time_work *time_work_new(size_t n_max); /**< NULL without memory */
size_t time_work_bytes(size_t n_max);          /**< what it takes */
void time_work_free(struct time_work *t);

/** The recipe's section "viscoelastic" into plan->time and the plan's extent. Needs out->model.
 * Errors: ST_RECIPE for a model whose force is no power of the indentation, a reference time that
 * is not positive, a segment that is not there, keys without effect. */
enum status time_plan(const struct recipe *recipe, const bool there[SEG_COUNT],
                      struct curve_plan *out, struct report *rep) MUST_CHECK;

/** What the arrays of a time_work hold. */
struct time_line {
    struct ting_path path;
    size_t from[SEG_COUNT], to[SEG_COUNT]; /**< samples of each segment; empty: not there */
    double speed[SEG_COUNT];               /**< mean dz/dt, m/s, negative on retract */
    bool even; /**< one step of time throughout: noise runs on from part to part */
};

/** Put approach, dwell and retract (up to `last`) one after the other; needs lanes of approach and
 *  retract, whose dropped samples are missing here too. Segments longer than `most` are averaged in
 *  blocks, one length for all.
 *  @return false where the times are not known, or a segment that is needed cannot be used */
bool time_line_make(const struct curve_plan *plan, const struct raw_curve *raw,
                    const struct curve_work *w, enum segment_id last, size_t most,
                    struct time_line *out);

/** Power n and factor c of F = c E delta^n with the sample's Poisson's ratio; power 0 where the
 * model has no such law. */
struct ting_tip ting_tip_of(const struct curve_plan *plan);

/** Maps of the viscoelastic fit, and the flags that go with them (docs/viscoelastic.md). */
void viscoelastic_fit(const struct curve_plan *plan, const struct raw_curve *raw,
                      struct curve_work *w, const struct contact_fit *fit,
                      struct pixel_result *out);

#endif
