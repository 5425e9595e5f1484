/** The clock that only goes forward. */
#ifndef CANTLE_BASE_CLOCK_H
#define CANTLE_BASE_CLOCK_H

/** Seconds since some moment in the past. */
double clock_s(void);

#endif
