/** The progress line: one line rewritten on a terminal, plain lines now and then in a log. */
#ifndef CANTLE_BASE_PROGRESS_H
#define CANTLE_BASE_PROGRESS_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

struct progress {
    FILE *out; /**< NULL = silent */
    bool terminal;
    const char *what; /**< "pixels" */
    uint64_t total;
    uint64_t before; /**< of them done by earlier runs; set it after progress_begin */
    double started_s, shown_s, interval_s; /**< monotonic clock */
    bool any;                              /**< a line was shown */
};

/** Start counting. Shows nothing yet: short runs stay silent in a log.
 *  @param out  stream for people, usually stderr; NULL for none */
void progress_begin(struct progress *p, FILE *out, const char *what, uint64_t total);

/** Show if it is time: share done, rate, time left. */
void progress_show(struct progress *p, uint64_t done);

/** Clear the line on a terminal, so that the next message stands alone. */
void progress_end(struct progress *p);

/** Seconds since progress_begin. */
double progress_elapsed_s(const struct progress *p);

#endif
