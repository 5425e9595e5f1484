/** Groups of nested values: condition > sample > cell. The cell is what was repeated, not the
 * pixel: pixels of one cell are measurements of one thing, and to count them as many is
 * pseudo-replication (S. E. Lazic, BMC Neuroscience 11:5, 2010). Numbers only. */
#ifndef CANTLE_REVIEW_NESTED_H
#define CANTLE_REVIEW_NESTED_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>

/** One volume on entry (its median over the pixels), one cell afterwards. */
struct nested_value {
    size_t condition, sample, cell; /**< numbers that are unique in the whole study */
    double value;                   /**< finite */
};

/** Nested medians: a cell is the median of its volumes, a sample that of its cells, a condition
 * that of its samples. `v` [n] is sorted and shortened to one value a cell.
 *  @return number of cells */
size_t nested_cells(struct nested_value *v, size_t n);

/** What one condition comes to. */
struct nested_group {
    size_t samples, cells;
    double median;    /**< nested; NaN without a cell */
    double low, high; /**< 95 % interval of the bootstrap; NaN below three cells */
};

/** How two conditions differ. */
struct nested_difference {
    double effect;    /**< second over first (ratio) or second less first, of the nested medians */
    double low, high; /**< 95 % interval of the bootstrap; NaN below three cells on a side */
    bool by_samples;  /**< what was ranked: the samples' medians, else the cells */
    size_t n[2];      /**< how many of them */
    double p;         /**< two-sided, of the rank test; NaN without a unit on a side */
    double least_p;   /**< the smallest that so few units can give */
};

enum { NESTED_DRAWS = 5000, NESTED_SAMPLES_TO_RANK = 4 };

/** Median and interval of a condition. `cells` [n] as nested_cells leaves them.
 *
 *  Bootstrap (B. Efron, Ann. Statist. 7 (1979) 1) in two stages: samples are drawn with
 * replacement, then cells within each sample drawn, and the nested median is taken again (A. C.
 * Davison and D. V. Hinkley, Bootstrap Methods and their Application, 1997, section 3.8; from
 * memory). The 2.5 and 97.5 percentiles are the interval; docs/study.md says how often it holds the
 * true value, as measured.
 *  @param seed  the same seed gives the same interval. Errors: ST_MEMORY. */
enum status nested_describe(const struct nested_value *cells, size_t n, size_t condition,
                            size_t draws, unsigned long seed, struct nested_group *out,
                            struct report *rep) MUST_CHECK;

/** Compare two conditions. The rank test is that of H. B. Mann and D. R. Whitney, Ann. Math.
 * Statist. 18 (1947) 50, over all ways to deal the units to the two conditions (mid-ranks for
 * ties), or over 100000 ways by chance where there are more than that, with one added (B. Phipson
 * and G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 9 (2010) 39). Units are the samples where each
 * condition has at least NESTED_SAMPLES_TO_RANK of them, else the cells.
 *  @param ratio  effect as a ratio (values must be above 0), else as a difference. Errors:
 * ST_MEMORY. */
enum status nested_compare(const struct nested_value *cells, size_t n, size_t first, size_t second,
                           bool ratio, size_t draws, unsigned long seed,
                           struct nested_difference *out, struct report *rep) MUST_CHECK;

/** P values of m comparisons in place, adjusted so that one false alarm among them all is as rare
 * as each says (S. Holm, Scand. J. Statist. 6 (1979) 65). NaN stays. */
void nested_holm(double *p, size_t m);

#endif
