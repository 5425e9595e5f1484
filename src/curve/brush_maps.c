#include "curve/brush_maps.h"

#include <math.h>

void brush_plan(struct curve_plan *plan)
{
    plan->extent.analysis[ANALYSIS_brush] = plan->model == &contact_brush;
}

void brush_measure(const struct curve_plan *plan, const struct lane *lane,
                   const struct contact_fit *fit, struct pixel_result *out)
{
    const double(*cov)[COV_SIZE] = fit->cov;
    double length, kappa, pull;
    if (!plan->extent.analysis[ANALYSIS_brush] || !fit->done) return;
    plan->model->scales(&plan->setup, &fit->sample, &length, &kappa, &pull);
    double brush = 2.0 * M_PI * length * exp(fit->sample.extra);
    /* ln L = ln l + extra, ln l = -2 ln E* + constant */
    double var = 4.0 * cov[COV_LN_MODULUS][COV_LN_MODULUS] - 4.0 * cov[COV_LN_MODULUS][COV_EXTRA] +
                 cov[COV_EXTRA][COV_EXTRA];
    out->map[MAP_brush_length] = (struct measured){brush, brush * sqrt(fmax(var, 0))};
    /* (F/A)^(2/3) with F = k d: ln = 2/3 (ln d - ln E*) + constant */
    double elastic = pow(fmax(lane->peak_d, 0) * sqrt(length), 2.0 / 3.0);
    double peak = cov[COV_PEAK][COV_PEAK] / (lane->peak_d * lane->peak_d),
           both = cov[COV_PEAK][COV_LN_MODULUS] / lane->peak_d;
    var = peak - 2.0 * both + cov[COV_LN_MODULUS][COV_LN_MODULUS];
    out->map[MAP_elastic_indentation] = (struct measured){elastic,
                                                          2.0 / 3.0 * elastic * sqrt(fmax(var, 0))};
}
