#include "base/status.h"

#include "base/words.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static const struct {
    const char *name;
    int exit_status;
    const char *text;
} rows[ST_COUNT] = {
#define S(name, code, text) {#name, code, text},
    STATUS_LIST(S)
#undef S
};

enum status fail(struct report *rep, enum status st, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    vsnprintf(rep->text, sizeof rep->text, fmt, args);
    va_end(args);
    words_printable(rep->text, ' '); /* one line, whatever a file's name or a library put into it */
    return st;
}

enum status within(struct report *rep, enum status st, const char *fmt, ...)
{
    char joined[sizeof rep->text];
    va_list args;
    va_start(args, fmt);
    int used = vsnprintf(joined, sizeof joined, fmt, args);
    va_end(args);
    if (used < 0 || (size_t)used >= sizeof joined - 1) used = (int)sizeof joined - 1;
    snprintf(joined + used, sizeof joined - (size_t)used, "%s", rep->text);
    memcpy(rep->text, joined, sizeof joined);
    words_printable(rep->text, ' '); /* one line, whatever a file's name or a library put into it */
    return st;
}

int status_exit(enum status st)
{
    return rows[st].exit_status;
}

const char *status_name(enum status st)
{
    return rows[st].name;
}

const char *status_text(enum status st)
{
    return rows[st].text;
}
