#include "base/progress.h"

#include "base/clock.h"

#include <inttypes.h>
#include <math.h>
#include <unistd.h>

void progress_begin(struct progress *p, FILE *out, const char *what, uint64_t total)
{
    *p = (struct progress){.out = out, .what = what, .total = total};
    p->terminal = out && isatty(fileno(out));
    p->interval_s = p->terminal ? 0.5 : 30.0;
    p->started_s = p->shown_s = clock_s();
}

double progress_elapsed_s(const struct progress *p)
{
    return clock_s() - p->started_s;
}

static void write_duration(double seconds, char *out, size_t size)
{
    long s = lround(seconds);
    if (s < 60)
        snprintf(out, size, "%ld s", s);
    else if (s < 3600)
        snprintf(out, size, "%ld min %02ld s", s / 60, s % 60);
    else
        snprintf(out, size, "%ld h %02ld min", s / 3600, s / 60 % 60);
}

void progress_show(struct progress *p, uint64_t done)
{
    double now = clock_s(), elapsed = now - p->started_s;
    if (!p->out || done <= p->before || now - p->shown_s < p->interval_s) return;
    char left[32], before[64] = "";
    double rate = (double)(done - p->before) / elapsed;
    write_duration((double)(p->total - done) / rate, left, sizeof left);
    if (p->before > 0) snprintf(before, sizeof before, " (%" PRIu64 " by earlier runs)", p->before);
    fprintf(p->out, "%s%3.0f %%  %" PRIu64 " of %" PRIu64 " %s%s  %.0f %s/s  %s left%s",
            p->terminal ? "\r" : "", 100.0 * (double)done / (double)p->total, done, p->total,
            p->what, before, rate, p->what, left, p->terminal ? "\033[K" : "\n");
    fflush(p->out);
    p->shown_s = now;
    p->any = true;
}

void progress_end(struct progress *p)
{
    if (p->out && p->any && p->terminal) {
        fputs("\r\033[K", p->out);
        fflush(p->out);
    }
}
