/** Phases of a sample: a mixture of normal distributions of ln x over a plane, how many there are,
 * and how well that is known. Numbers only.
 *
 *  Pixels of a map resemble their neighbours, so they are worth fewer than they are. The Bayesian
 *  information criterion (G. Schwarz, Ann. Stat. 6 (1978) 461) is therefore taken twice: `bic` as
 * if all pixels were independent, and a comparison that weighs ln L with n_effective/n, as
 * composite likelihoods are (X. Gao and P.X.-K. Song, J. Am. Stat. Assoc. 105 (2010) 1531).
 * n_effective is that of what a mixture leaves unexplained: the standardised distance of each pixel
 * from its phase. Domains of a blend are large and make the plane correlated, but once they are
 * explained their pixels may well be independent. */
#ifndef CANTLE_REVIEW_PHASES_H
#define CANTLE_REVIEW_PHASES_H

#include "base/progress.h"
#include "base/status.h"
#include "review/mixture.h"

#include <stdint.h>

struct phases {
    int tried;                        /**< mixtures of 1..tried components */
    struct mixture fit[MIXTURE_MOST]; /**< [tried] */
    double bic[MIXTURE_MOST];         /**< of independent pixels; the smallest is best */
    double n_effective[MIXTURE_MOST]; /**< of what this mixture leaves */
    int by_bic;                       /**< phases that the smallest bic says */
    int by_weighted;                  /**< phases after the weighted comparison */
    int chosen;                       /**< by_weighted, or as asked */
    /* Of the chosen mixture: */
    double fraction[MIXTURE_MOST]; /**< share of the area, by the pixels' probabilities */
    double assigned[MIXTURE_MOST]; /**< share of the area, each pixel to its likeliest phase */
    double weight_se[MIXTURE_MOST], mean_se[MIXTURE_MOST], sd_se[MIXTURE_MOST];
    double average_se[MIXTURE_MOST]; /**< relative, of exp(mean + sd^2/2) */
    size_t draws;                    /**< that the standard errors come from */
};

/** A plane of ln x and its pixels in ascending order. */
struct phase_data {
    size_t ny, nx, n;
    const double *value;  /**< [ny*nx] NaN = not chosen */
    const double *sorted; /**< [n] */
    const double *area;   /**< [ny*nx] of each pixel, any unit */
};

/** Fit 1..most components, choose (asked = 0) or take what is asked. No standard errors yet: they
 *  are NaN. p: counts the mixtures, as summary_make's. Errors: ST_MEMORY. */
enum status phases_find(const struct phase_data *d, int most, int asked, struct progress *p,
                        struct phases *out, struct report *rep) MUST_CHECK;

/** The comparison that phases_find makes: from one phase on, to the next larger number whose gain
 * in weighted ln L is worth more than its parameters. */
int phases_compare(const struct phases *p, double n);

/** Each pixel's likeliest phase (1.., 0 = not chosen) and its probability (NaN). [ny*nx] */
void phases_assign(const struct mixture *m, const struct phase_data *d, uint8_t *phase,
                   float *probability);

/** Sums for standard errors from resampled counts of the sorted pixels. */
struct phase_draws;
enum status phase_draws_make(struct phase_draws **out, const struct phase_data *d,
                             const struct phases *p, struct report *rep) MUST_CHECK;
/** One draw: count[n] in the order of d->sorted. The mixture is fitted again, from where it was. */
void phase_draws_add(struct phase_draws *s, const unsigned *count);
/** Standard errors into p, times `widen` (for what blocks lose); NaN for less than two draws. */
void phase_draws_close(const struct phase_draws *s, double widen, struct phases *p);
void phase_draws_free(struct phase_draws **s);

#endif
