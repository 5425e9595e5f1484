/** Short decimal numbers, read exactly and fast. */
#ifndef CANTLE_BASE_DECIMAL_H
#define CANTLE_BASE_DECIMAL_H

#include <stdbool.h>

/** The whole text as [sign]digits[point digits][e exponent], to the last bit what strtod gives.
 *
 *  A whole number up to 2^53 and a power of ten up to 10^22 are both exact as doubles, so their
 * product or quotient is rounded once, which is the nearest double (W. D. Clinger, How to read
 * floating point numbers accurately, PLDI 1990, attribution from memory).
 *  @param point  decimal sign, '.' or ','
 *  @return false where the text is something else or longer: ask strtod then */
bool decimal_exact(const char *text, char point, double *out);

#endif
