/** The tip from a sample whose modulus is known: the contact fit asked the other way round.
 *
 *  For each curve the tip value (radius, half angle or face angle, whichever the model reads) is
 * sought at which the fit gives the known Young's modulus. What the other inputs do follows from
 * the budget of one typical curve by the rule of implicit functions: with c = d ln E/d(input), a
 * change of an input moves the tip value by -c_input/c_tip (JCGM 100:2008, 5.1.3). */
#ifndef CANTLE_CURVE_TIP_H
#define CANTLE_CURVE_TIP_H

#include "curve/budget.h"

/** The tip value that a model reads first; LEVER_COUNT when it reads none. */
enum lever_item tip_item(const struct contact_model *m);

struct tip_curve {
    bool there;
    double value; /**< SI */
    double u;     /**< from this curve's fit */
    uint64_t flags;
};

/** One curve. plan->lever.item[item] is where the search begins. Errors: ST_MEMORY; ST_RECIPE as
 *  curve_plan_renew. A curve that is rejected or has no solution is not `there`. */
enum status tip_of_curve(const struct curve_plan *plan, const struct raw_curve *raw,
                         struct curve_work *work, enum lever_item item, double modulus_pa,
                         struct tip_curve *out, struct report *rep) MUST_CHECK;

struct tip_summary {
    size_t curves, outliers;
    double value;             /**< of an angle the mean; of a radius the mean of logarithms */
    double scatter;           /**< standard deviation of single curves */
    double fit_u;             /**< what the fits alone would say of one */
    double u_random;          /**< scatter/sqrt(curves) */
    struct budget budget;     /**< of the typical curve at the tip value found */
    double part[LEVER_COUNT]; /**< of budget.input, in units of the value; NaN: u not stated */
    double part_reference;    /**< of the reference modulus */
    double u;                 /**< all combined */
    /** Change of ln radius (or of the angle) with ln k at fixed s, and with ln s at fixed k; and
     * what remains of u without these two. */
    double per_spring, per_sensitivity, u_besides;
    bool complete; /**< no input that matters lacks its u */
};

/** Mark outliers (limit: robust standard deviations) as not there, and sum up. scratch [n] */
void tip_sum(struct tip_curve *curve, size_t n, double limit, double *scratch,
             struct tip_summary *out);

/** Fill budget, parts and u. job->plan must have the tip value found. which: the result that is the
 * reference's modulus (modulus, or unloading_modulus for the factor of the area). Errors: as
 * budget_linear; ST_INPUT when the modulus does not depend on the tip value here. */
enum status tip_combine(const struct budget_job *job, enum lever_item item, enum budget_id which,
                        const struct known *reference, struct tip_summary *io,
                        struct report *rep) MUST_CHECK;

#endif
