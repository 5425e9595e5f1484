#include "base/watch.h"

#include "base/clock.h"

#include <math.h>
#include <pthread.h>
#include <signal.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

/* One per process, like the signals it stands beside: a thread has nobody who could hand it down.
 */
static struct {
    pthread_mutex_t lock;
    double limit_s, since_s; /* since_s < 0: not waiting */
    int exit_status;
    const char *words;
    void (*save)(void *what);
    void *what;
} watch = {.lock = PTHREAD_MUTEX_INITIALIZER, .since_s = -1};

/* Called with the lock held and never gives it back: the main thread cannot leave its wait. */
static void give_up(void)
{
    if (watch.save) watch.save(watch.what);
    if (watch.words) {
        ssize_t ignored = write(STDERR_FILENO, watch.words, strlen(watch.words));
        (void)ignored;
    }
    _exit(watch.exit_status);
}

static void *look(void *unused)
{
    const double step = fmin(1.0, watch.limit_s / 8);
    const struct timespec pause = {(time_t)step, (long)(fmod(step, 1.0) * 1e9)};
    (void)unused;
    for (;;) {
        nanosleep(&pause, NULL);
        pthread_mutex_lock(&watch.lock);
        if (watch.since_s >= 0 && clock_s() - watch.since_s > watch.limit_s) give_up();
        pthread_mutex_unlock(&watch.lock);
    }
    return NULL;
}

enum status watch_start(double limit_s, int exit_status, const char *words, struct report *rep)
{
    pthread_t thread;
    sigset_t all, before;
    if (!(limit_s > 0)) return ST_OK;
    watch.limit_s = limit_s;
    watch.exit_status = exit_status;
    watch.words = words;
    sigfillset(&all); /* signals are the main thread's business */
    pthread_sigmask(SIG_SETMASK, &all, &before);
    int error = pthread_create(&thread, NULL, look, NULL);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    if (error) {
        watch.limit_s = 0;
        return fail(rep, ST_MEMORY, "the thread that watches over waiting cannot start: %s",
                    strerror(error));
    }
    pthread_detach(thread);
    return ST_OK;
}

static void set_since(double since_s)
{
    if (!(watch.limit_s > 0)) return;
    pthread_mutex_lock(&watch.lock);
    watch.since_s = since_s;
    pthread_mutex_unlock(&watch.lock);
}

void watch_enter(void)
{
    if (watch.limit_s > 0) set_since(clock_s());
}

void watch_leave(void)
{
    set_since(-1);
}

void watch_alive(void)
{
    watch_enter();
}

void watch_save(void (*save)(void *what), void *what)
{
    pthread_mutex_lock(&watch.lock);
    watch.save = save;
    watch.what = what;
    pthread_mutex_unlock(&watch.lock);
}

void watch_outcome(int exit_status)
{
    pthread_mutex_lock(&watch.lock);
    watch.exit_status = exit_status;
    watch.words = NULL;
    watch.save = NULL;
    pthread_mutex_unlock(&watch.lock);
}
