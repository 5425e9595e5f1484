/** Status codes, their exit statuses, and the one message that travels up to main. */
#ifndef CANTLE_BASE_STATUS_H
#define CANTLE_BASE_STATUS_H

#define MUST_CHECK __attribute__((warn_unused_result))
#define PRINTF_LIKE(fmt, args) __attribute__((format(printf, fmt, args)))

/** One row a status: name, exit status, text for the manual. 64 and above follow sysexits.h. */
#define STATUS_LIST(S)                                                                             \
    S(OK, 0, "done")                                                                               \
    S(USAGE, 2, "the command line is wrong")                                                       \
    S(RECIPE, 3,                                                                                   \
      "the recipe or import description is wrong: unknown key, bad value, or a value that is "     \
      "missing")                                                                                   \
    S(INPUT, 4, "an input file is missing, or is not what it should be")                           \
    S(OUTPUT, 5, "an output cannot be written (exists already, no permission, disk full)")         \
    S(ALL_REJECTED, 6, "the maps were written, but every pixel was rejected")                      \
    S(TOOL, 7, "a helper program (gnuplot) is missing or failed")                                  \
    S(MEMORY, 8, "not enough memory")                                                              \
    S(INCOMPLETE, 9,                                                                               \
      "some volumes of a study failed; what was there is summed up, and the report says why")      \
    S(BUG, 70, "this should not happen: please report it")                                         \
    S(STOPPED, 75,                                                                                 \
      "stopped before the end; what is done is kept: the same command with --resume goes on")

enum status {
#define S(name, code, text) ST_##name,
    STATUS_LIST(S)
#undef S
        ST_COUNT
};

/** The message of one chain of calls. Made by main (or a test), passed down, never global. */
struct report {
    char text[1024];
};

/** Store the cause of a failure. Say what is wrong and what to do. @return st, for `return
 * fail(...)` */
enum status fail(struct report *rep, enum status st, const char *fmt, ...)
    PRINTF_LIKE(3, 4) MUST_CHECK;

/** Put where it happened in front of the stored message ("volume.h5: "). @return st */
enum status within(struct report *rep, enum status st, const char *fmt, ...)
    PRINTF_LIKE(3, 4) MUST_CHECK;

int status_exit(enum status st);         /**< the documented exit status */
const char *status_name(enum status st); /**< "INPUT" */
const char *status_text(enum status st); /**< one sentence for the manual */

#endif
