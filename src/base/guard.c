#include "base/guard.h"

#include "base/status.h"
#include "base/words.h"

#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

/* A handler can be given nothing, so what it needs is kept here, ready to be written. */
static char line[1400] = "cantle: stopped by a signal: this should not happen: please report it\n";
static int exit_status = 70;

void guard_file(const char *path)
{
    char name[1024] = "";
    if (path) words_excerpt(path, name, sizeof name);
    words_printable(name, ' ');
    exit_status = status_exit(path ? ST_INPUT : ST_BUG);
    if (path)
        snprintf(
            line, sizeof line,
            "cantle: %s: is damaged, or made to do harm: the HDF5 library crashed while it read "
            "it; copy the file again, or ask where it came from\n",
            name);
    else
        snprintf(line, sizeof line,
                 "cantle: stopped by a signal: this should not happen: please report it\n");
}

#if !defined(__SANITIZE_ADDRESS__)
static void last_words(int number)
{
    (void)number;
    /* only what a handler may call (signal-safety(7)); that writing fails cannot be helped */
    ssize_t ignored = write(STDERR_FILENO, line, strlen(line));
    (void)ignored;
    _exit(exit_status);
}

void guard_install(void)
{
    static char stack[65536]; /* the other one may be full */
    static const int numbers[] = {SIGSEGV, SIGBUS, SIGFPE, SIGILL, SIGABRT};
    const stack_t other = {.ss_sp = stack, .ss_size = sizeof stack};
    struct sigaction action = {.sa_handler = last_words, .sa_flags = SA_ONSTACK};
    sigaltstack(&other, NULL);
    sigemptyset(&action.sa_mask);
    for (size_t i = 0; i < sizeof numbers / sizeof *numbers; i++)
        sigaction(numbers[i], &action, NULL);
}
#else
void guard_install(void)
{
}
#endif
