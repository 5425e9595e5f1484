/** Units at the door: UDUNITS-2 text to SI and back. Inside the program everything is SI. */
#ifndef CANTLE_BASE_UNITS_H
#define CANTLE_BASE_UNITS_H

#include "base/status.h"

/** Linear conversion: si = factor * value + offset. */
struct unit_scale {
    double factor, offset;
};

/** Conversion from `unit` (UDUNITS text, UTF-8 allowed) into `si_unit`.
 *  Errors: ST_INPUT when `unit` is empty, not a unit, or of another dimension than `si_unit`; the
 *  message quotes both, the caller adds the dataset or key with within(). */
enum status units_scale(const char *unit, const char *si_unit, struct unit_scale *out,
                        struct report *rep) MUST_CHECK;

/** A quantity as text, "0.35 N/m", "20 deg", "10 %", into `si_unit` ("N/m", "rad", "1").
 *  A bare number is accepted only for the dimensionless si_unit "1". The whole text must be used
 * and the value finite. Errors: ST_RECIPE. */
enum status units_quantity(const char *text, const char *si_unit, double *out,
                           struct report *rep) MUST_CHECK;

/** 1 if `text` reads as a quantity of the dimension of `si_unit`. */
int units_is_quantity(const char *text, const char *si_unit);

/** Multiply an SI value by this to express it in `unit` (no offset units). ST_INPUT as above. */
enum status units_from_si(const char *si_unit, const char *unit, double *factor,
                          struct report *rep) MUST_CHECK;

/** "3.21 kPa" for people: SI prefix chosen so that 1 <= |number| < 1000; `si_unit` of one of the
 * plain SI symbols (Pa, N, m, J, V, N/m, J/m2); `digits` significant digits. Writes at most `size`
 * bytes. */
void units_show(double si_value, const char *si_unit, int digits, char *out, unsigned long size);

/** The prefix for a scale: magnitude 2.7e9 of Pa -> "G", 1e9; 3e-14 of m2 -> "n", 1e-18. For axes
 * and colour bars. ("u" for micro) */
const char *units_prefix(double magnitude, const char *si_unit, double *factor);

/** Release the UDUNITS database (valgrind clean ends). Safe to call when it was never loaded. */
void units_close(void);

#endif
