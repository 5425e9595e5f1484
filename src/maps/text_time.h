/** Times as text. */
#ifndef CANTLE_MAPS_TEXT_TIME_H
#define CANTLE_MAPS_TEXT_TIME_H

#include <time.h>

/** ISO 8601 in local time with offset: "2026-01-31T14:05:09+01:00". Empty if the time is not valid.
 */
void text_time(time_t t, char out[40]);
void text_time_now(char out[40]);

#endif
