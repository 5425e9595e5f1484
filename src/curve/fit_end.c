/* Models whose length shows only in where the contact comes off (length_at_end): l, and with it w,
 * from there. */
#include "curve/fit_private.h"

#include <math.h>

static struct contact_branch_end end_of(const struct curve_plan *plan, const double *theta)
{
    struct contact_branch_end end;
    struct contact_shape shape = shape_at(plan, theta);
    plan->model->branch_end(&shape, &end);
    return end;
}

double fit_length(const struct curve_plan *plan, const struct fit_set *set,
                  const struct fit_result *r)
{
    if (!plan->model->length_at_end) return length_at(plan, r->theta);
    return (set->off_z - r->theta[0]) / end_of(plan, r->theta).t;
}

/* ln l = ln(Z0 - Z_end) - ln(-t_end(kappa)). */
void fit_end_gradient(const struct curve_plan *plan, const struct fit_set *set,
                      const struct fit_result *r, double *ln_work)
{
    if (!plan->model->length_at_end) return;
    struct contact_branch_end end = end_of(plan, r->theta);
    double power = plan->model->work_power[0];
    ln_work[0] += power / (r->theta[0] - set->off_z);
    ln_work[1] -= power * end.by_lnkappa / end.t;
}

double fit_end_variance(const struct curve_plan *plan, const struct fit_set *set,
                        const struct fit_result *r)
{
    if (!plan->model->length_at_end) return 0.0;
    double share = plan->model->work_power[0] * set->off_step / (r->theta[0] - set->off_z);
    return share * share / 12.0;
}
