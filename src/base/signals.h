/** Signals that ask a run to stop. They set a number that the run looks at between two tiles. */
#ifndef CANTLE_BASE_SIGNALS_H
#define CANTLE_BASE_SIGNALS_H

/** A file that grows beyond its limit shall be a failed write with a message, not a death. */
void signals_begin(void);

/** From now on SIGTERM, SIGINT and SIGUSR1 are noted, however often they come. A SIGINT more than
 * half a second after the first one ends the process at once with `hurry_status`: launchers pass
 * one on twice, people do not press keys that fast. */
void signals_watch(int hurry_status);

/** The first of them that came, 0 if none. */
int signals_caught(void);

/** "SIGTERM"; static text. */
const char *signals_name(int number);

#endif
