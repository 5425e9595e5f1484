#include "maps/text_time.h"

#include <stdio.h>

void text_time(time_t t, char out[40])
{
    struct tm local;
    char date[32], zone[8];
    out[0] = 0;
    if (!localtime_r(&t, &local) || !strftime(date, sizeof date, "%Y-%m-%dT%H:%M:%S", &local) ||
        strftime(zone, sizeof zone, "%z", &local) != 5)
        return;
    /* %z gives +0100, ISO 8601 beside a time with colons wants +01:00 */
    snprintf(out, 40, "%s%.3s:%s", date, zone, zone + 3);
}

void text_time_now(char out[40])
{
    text_time(time(NULL), out);
}
