/* Every tile is taken exactly once, for any number of ranks. */
#include "grid/schedule.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

static void test_every_tile_once(void **unused)
{
    (void)unused;
    for (size_t tiles = 1; tiles < 700; tiles = tiles * 3 / 2 + 1)
        for (size_t ranks = 1; ranks < 100; ranks += 1 + ranks / 4) {
            unsigned char *taken = calloc(tiles, 1);
            struct schedule s = schedule_make(tiles, ranks);
            for (size_t r = 0; r < ranks; r++)
                for (size_t i = 0; i < s.share; i++)
                    taken[schedule_static(&s, r, i)]++;
            size_t ticket = 0, index;
            while ((index = schedule_tail(&s, ticket++)) < tiles)
                taken[index]++;
            for (size_t i = 0; i < tiles; i++)
                assert_int_equal(taken[i], 1);
            /* late tickets of other ranks find nothing */
            for (size_t r = 0; r < ranks; r++)
                assert_true(schedule_tail(&s, ticket + r) >= tiles);
            free(taken);
        }
}

static void test_share(void **unused)
{
    (void)unused;
    assert_int_equal(schedule_make(100, 2).share, 30);
    assert_int_equal(schedule_make(10, 4).share, 0); /* too few tiles: all from the counter */
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_every_tile_once),
                                       cmocka_unit_test(test_share)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
