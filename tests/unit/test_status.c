/* Status codes and the one message. */
#include "base/status.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>
#undef fail /* cmocka has a macro of that name */

static void exit_statuses_are_apart(void **state)
{
    (void)state;
    assert_int_equal(status_exit(ST_OK), 0);
    for (int i = 0; i < ST_COUNT; i++) {
        assert_true(status_exit((enum status)i) >= 0 && status_exit((enum status)i) < 126);
        assert_true(*status_text((enum status)i) != 0);
        for (int j = 0; j < i; j++) {
            assert_int_not_equal(status_exit((enum status)i), status_exit((enum status)j));
            assert_string_not_equal(status_name((enum status)i), status_name((enum status)j));
        }
    }
    assert_string_equal(status_name(ST_INPUT), "INPUT");
}

/* sysexits.h: EX_SOFTWARE 70, EX_TEMPFAIL 75 */
static void sysexits(void **state)
{
    (void)state;
    assert_int_equal(status_exit(ST_BUG), 70);
}

static void cause_then_place(void **state)
{
    (void)state;
    struct report rep = {""};
    assert_int_equal(fail(&rep, ST_INPUT, "no unit in '%s'", "z"), ST_INPUT);
    assert_int_equal(within(&rep, ST_INPUT, "%s: ", "a.h5"), ST_INPUT);
    assert_string_equal(rep.text, "a.h5: no unit in 'z'");
    assert_int_equal(within(&rep, ST_RECIPE, "tile %d: ", 12), ST_RECIPE);
    assert_string_equal(rep.text, "tile 12: a.h5: no unit in 'z'");
}

static void always_one_line(void **state)
{
    (void)state;
    struct report rep = {""};
    assert_int_equal(fail(&rep, ST_INPUT, "a\nb\tc\033[1md\x7f"), ST_INPUT);
    assert_string_equal(rep.text, "a b c [1md ");
    assert_int_equal(within(&rep, ST_INPUT, "x\ny: "), ST_INPUT);
    assert_string_equal(rep.text, "x y: a b c [1md ");
}

static void long_messages_are_cut(void **state)
{
    (void)state;
    struct report rep = {""};
    char text[3000];
    memset(text, 'x', sizeof text - 1);
    text[sizeof text - 1] = 0;
    assert_int_equal(fail(&rep, ST_INPUT, "%s", text), ST_INPUT);
    assert_int_equal(strlen(rep.text), sizeof rep.text - 1);
    assert_int_equal(within(&rep, ST_INPUT, "here: "), ST_INPUT);
    assert_int_equal(strlen(rep.text), sizeof rep.text - 1);
    assert_memory_equal(rep.text, "here: xxx", 9);
    assert_int_equal(within(&rep, ST_INPUT, "%s", text), ST_INPUT);
    assert_int_equal(strlen(rep.text), sizeof rep.text - 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(exit_statuses_are_apart), cmocka_unit_test(sysexits),
        cmocka_unit_test(cause_then_place),        cmocka_unit_test(always_one_line),
        cmocka_unit_test(long_messages_are_cut),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
