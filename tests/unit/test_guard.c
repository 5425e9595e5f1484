/* Last words: a process that crashes says which file it had in hand. */
#include "base/guard.h"
#include "base/status.h"

#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>
#undef fail /* cmocka has a macro of that name */

static char said[4096];

static int deeper(volatile char *above, long more)
{
    volatile char here[4096];
    here[0] = above ? above[0] : 1;
    return more > 0 ? deeper(here, more - 1) + here[0] : 0;
}

/* Exit status of a child that dies of the signal (0: of a full stack); `said` is its stderr. */
static int die(const char *path, const char *then, int number)
{
    int ends[2], how;
    assert_int_equal(pipe(ends), 0);
    pid_t pid = fork();
    assert_true(pid >= 0);
    if (pid == 0) {
        dup2(ends[1], STDERR_FILENO);
        guard_install();
        guard_file(path);
        if (then) guard_file(*then ? then : NULL);
        if (number)
            raise(number);
        else
            _exit(deeper(NULL, 1 << 30));
        _exit(0);
    }
    close(ends[1]);
    size_t used = 0;
    for (ssize_t n; (n = read(ends[0], said + used, sizeof said - 1 - used)) > 0;)
        used += (size_t)n;
    said[used] = 0;
    close(ends[0]);
    assert_int_equal(waitpid(pid, &how, 0), pid);
    return WIFEXITED(how) ? WEXITSTATUS(how) : -WTERMSIG(how);
}

static void one_line_that_names_the_file(void **state)
{
    (void)state;
    const int numbers[] = {SIGSEGV, SIGBUS, SIGFPE, SIGILL, SIGABRT, 0};
    for (size_t i = 0; i < sizeof numbers / sizeof *numbers; i++) {
        assert_int_equal(die("data/v\x1b[1m.h5", NULL, numbers[i]), status_exit(ST_INPUT));
        assert_non_null(strstr(said, "cantle: data/v [1m.h5: "));
        assert_ptr_equal(strchr(said, '\n'), said + strlen(said) - 1);
    }
}

static void without_a_file_it_is_a_defect(void **state)
{
    (void)state;
    assert_int_equal(die(NULL, NULL, SIGSEGV), status_exit(ST_BUG));
    assert_non_null(strstr(said, "please report"));
    assert_int_equal(die("v.h5", "", SIGSEGV), status_exit(ST_BUG));
    assert_null(strstr(said, "v.h5"));
    assert_int_equal(die("v.h5", "w.h5", SIGABRT), status_exit(ST_INPUT));
    assert_non_null(strstr(said, "w.h5"));
}

static void long_names_fit(void **state)
{
    (void)state;
    char name[4000];
    memset(name, 'x', sizeof name - 1);
    name[sizeof name - 1] = 0;
    assert_int_equal(die(name, NULL, SIGSEGV), status_exit(ST_INPUT));
    assert_true(strlen(said) < 1400);
    assert_ptr_equal(strchr(said, '\n'), said + strlen(said) - 1);
}

int main(void)
{
#if defined(__SANITIZE_ADDRESS__)
    puts("AddressSanitizer reports crashes itself: nothing to test");
    (void)one_line_that_names_the_file, (void)without_a_file_it_is_a_defect, (void)long_names_fit;
    return 0;
#else
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_line_that_names_the_file),
        cmocka_unit_test(without_a_file_it_is_a_defect),
        cmocka_unit_test(long_names_fit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
#endif
}
