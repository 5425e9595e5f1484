/** The second layer of uncertainty: what calibration, tip and sample values do to a whole map.
 *
 *  It is common to all pixels, so it is no part of any pixel's standard error, and statistics over
 *  pixels never shrink it. Inputs are the values of calibration/lever.h with their standard
 *  uncertainties. A typical pixel's curve is analysed again with changed inputs:
 *   - linear: central differences of one u to either side, combined after JCGM 100:2008, 5.1;
 *   - Monte Carlo: all inputs drawn at once, after JCGM 101:2008, where the linear law may fail.
 *  These analyses take the noise as white (the order of a noise model may jump between neighbouring
 *  inputs) and leave out the fit to the shallow half.
 *
 *  Correlation: with plan->spring_from = thermal the spring constant goes with the sensitivity s as
 *  s^-2, and its own u is what remains besides. Where a lever file gives the correlation r of both,
 *  the exponent is r (u_k/k)/(u_s/s), the regression of ln k on ln s, and u sqrt(1 - r^2) remains.
 * A tip that the lever file says was found with this lever moves with both (lever.tip_item).
 * Deflections and forces that the volume holds ready were made with a sensitivity (and a spring
 * constant) too: they are scaled with it. */
#ifndef CANTLE_CURVE_BUDGET_H
#define CANTLE_CURVE_BUDGET_H

#include "base/progress.h"
#include "curve/curve.h"

/** Results with a budget: names of maps. */
#define BUDGET_LIST(B) B(modulus) B(adhesion) B(work_of_adhesion) B(hardness) B(unloading_modulus)

enum budget_id {
#define B(name) BUDGET_##name,
    BUDGET_LIST(B)
#undef B
        BUDGET_COUNT
};
/** The map of each result. */
extern const enum map_id budget_maps[BUDGET_COUNT];

/** calibration.spring_constant_from, in the order of the recipe's words. */
enum spring_from { SPRING_INDEPENDENT, SPRING_THERMAL, SPRING_NOMINAL };

/** What is known of an input's uncertainty. */
#define KNOWLEDGE_LIST(W) W(stated, "stated") W(assumed, "assumed") W(unknown, "not stated")
enum knowledge {
#define W(name, words) KNOWLEDGE_##name,
    KNOWLEDGE_LIST(W)
#undef W
        KNOWLEDGE_COUNT
};
extern const char *const knowledge_words[KNOWLEDGE_COUNT];

struct budget_input {
    enum lever_item item;
    double value; /**< SI; NaN: a sensitivity that made the data and is not known itself */
    double u;     /**< standard uncertainty, SI; NaN = not stated */
    enum knowledge u_is;
    bool logarithmic; /**< the coefficient is d ln(result)/d ln(input), else d ln(result)/d(input):
                           for angles and Poisson's ratios, which may be zero */
};

/** One result. Arrays go with budget.input. */
struct budget_result {
    bool there;
    double value;                     /**< of the typical pixel, SI */
    double coefficient[LEVER_COUNT];  /**< NaN: could not be found */
    double contribution[LEVER_COUNT]; /**< |coefficient| times u (or u/value), relative; NaN = not
                                           known */
    double share[LEVER_COUNT];        /**< of the variance of all that is known; NaN likewise */
    double combined;                  /**< relative standard uncertainty */
    bool complete;    /**< no input that matters lacks an uncertainty; else combined is a least */
    size_t draws;     /**< Monte Carlo: draws with a result; 0 = none made, then NaN below */
    double mean;      /**< mean of result/value */
    double spread;    /**< its standard deviation */
    double low, high; /**< 95 % coverage interval of result/value, probabilistically symmetric */
    bool differs;     /**< spread and combined differ by more than a tenth of combined, or more
                           than one in twenty draws had no result */
};

struct budget {
    size_t row, col; /**< the typical pixel, in the volume's order; for the caller to fill */
    enum spring_from spring_from;
    double spring_exponent;      /**< the spring constant goes with the sensitivity to this power */
    enum lever_item sensitivity; /**< the input that scales the deflection */
    double thickness_m;          /**< found there as a height above the substrate; else NaN */
    size_t draws;                /**< asked for; 0 where no input has an uncertainty to draw */
    unsigned long seed;
    size_t n;
    struct budget_input input[LEVER_COUNT]; /**< those that matter to any result */
    struct budget_result result[BUDGET_COUNT];
};

/** One curve and how it is analysed; borrowed. */
struct budget_job {
    const struct curve_plan *plan;
    const struct raw_curve *curve;
    struct curve_work *work;
    const struct curve_hint *hint; /**< of this curve, or NULL */
    struct progress *progress;     /**< of the draws; NULL = silent */
};

/** The law of propagation: contributions, shares, combined and complete from the coefficients. */
void budget_combine(const struct budget_input *input, size_t n, struct budget_result *r);

/** Results over those of the typical pixel, with the inputs at x [b->n] (for an input without
 * value: relative to it). NaN where there is none. Errors: ST_MEMORY. */
enum status budget_at(const struct budget_job *job, const struct budget *b, const double *x,
                      double ratio[BUDGET_COUNT], struct report *rep) MUST_CHECK;

/** Inputs, coefficients and their combination; no draws yet. A curve without results gives a budget
 * with nothing `there`. Errors: ST_MEMORY. */
enum status budget_linear(const struct budget_job *job, struct budget *out,
                          struct report *rep) MUST_CHECK;

/** Monte Carlo: the draws first, first + step, ... of b->draws, so that many can share the work;
 *  draw i is the same whoever makes it. Impossible values (lever_rows' range) are drawn again.
 *  @param ratio  [b->draws]; rows of others are not touched */
enum status budget_draw(const struct budget_job *job, const struct budget *b, size_t first,
                        size_t step, double (*ratio)[BUDGET_COUNT], struct report *rep) MUST_CHECK;

/** What all draws say. Errors: ST_MEMORY. */
enum status budget_close(struct budget *b, double (*ratio)[BUDGET_COUNT],
                         struct report *rep) MUST_CHECK;

/** All of it, alone. */
enum status budget_make(const struct budget_job *job, struct budget *out,
                        struct report *rep) MUST_CHECK;

/** A result's inputs with a known contribution above zero, largest first. @return how many */
size_t budget_order(const struct budget *b, enum budget_id id, size_t order[LEVER_COUNT]);

#endif
