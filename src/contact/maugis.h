/** The Maugis-Dugdale sphere in numbers, for tests and for comparison. */
#ifndef CANTLE_CONTACT_MAUGIS_H
#define CANTLE_CONTACT_MAUGIS_H

#include "contact/transition.h"

/** Its curve at one lambda; p = -ln acos(a/c), a the contact radius, c that of the cohesive ring.
 */
struct transition maugis_of(double lambda);

#endif
