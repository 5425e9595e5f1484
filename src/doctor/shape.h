/** The shape of one segment without any model: which end is in contact, how steep, how deep below
 * the baseline. */
#ifndef CANTLE_DOCTOR_SHAPE_H
#define CANTLE_DOCTOR_SHAPE_H

#include <stdbool.h>
#include <stddef.h>

enum contact_end { CONTACT_NOT_SEEN, CONTACT_AT_LOW_Z, CONTACT_AT_HIGH_Z };

struct shape {
    bool usable; /**< enough samples, not all equal */
    enum contact_end end;
    double noise; /**< rms, units of the signal */
    double slope; /**< of the contact line over z, baseline's taken off; of the end in contact */
    double pull;  /**< deepest point below the baseline, against the sense of the contact; >= 0 */
    double baseline; /**< slope off the surface */
};

/** @param z, y  [n] in any order of z; NaN is left out; work [3 n] */
void shape_find(const double *z, const double *y, size_t n, double *work, struct shape *out);

#endif
