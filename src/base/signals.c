#include "base/signals.h"

#include <signal.h>
#include <stddef.h>
#include <time.h>
#include <unistd.h>

static volatile sig_atomic_t caught, interrupted, hurry;
static struct timespec first_interrupt;

static void take_interrupt(void)
{
    static const char words[] = "\ncantle map: stopped at once; --resume goes on from what is in "
                                "the .part file\n";
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    if (!interrupted) {
        interrupted = 1;
        first_interrupt = now;
        return;
    }
    double gap = (double)(now.tv_sec - first_interrupt.tv_sec) +
                 1e-9 * (double)(now.tv_nsec - first_interrupt.tv_nsec);
    if (gap <= 0.5) return;
    ssize_t ignored = write(STDERR_FILENO, words, sizeof words - 1);
    (void)ignored;
    _exit(hurry);
}

static void take(int number)
{
    if (!caught) caught = number;
    if (number == SIGINT) take_interrupt();
}

void signals_begin(void)
{
    signal(SIGXFSZ, SIG_IGN);
}

void signals_watch(int hurry_status)
{
    static const int watched[] = {SIGTERM, SIGINT, SIGUSR1};
    struct sigaction action = {.sa_handler = take, .sa_flags = SA_RESTART};
    sigfillset(&action.sa_mask); /* one handler at a time */
    hurry = hurry_status;
    for (size_t i = 0; i < sizeof watched / sizeof *watched; i++)
        sigaction(watched[i], &action, NULL);
}

int signals_caught(void)
{
    return caught;
}

const char *signals_name(int number)
{
    return number == SIGTERM   ? "SIGTERM"
           : number == SIGINT  ? "SIGINT"
           : number == SIGUSR1 ? "SIGUSR1"
                               : "a signal";
}
