/* Every tile is taken exactly once, for any number of ranks. */
#include "grid/schedule.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

static void take(unsigned char *taken, struct tile_run run)
{
    for (size_t i = 0; i < run.n; i++)
        taken[run.first + i]++;
}

static void test_every_tile_once(void **unused)
{
    (void)unused;
    for (size_t tiles = 1; tiles < 700; tiles = tiles * 3 / 2 + 1)
        for (size_t ranks = 1; ranks < 100; ranks += 1 + ranks / 4) {
            unsigned char *taken = calloc(tiles, 1);
            struct schedule s = schedule_make(tiles, ranks);
            for (size_t r = 0; r < ranks; r++)
                take(taken, schedule_static(&s, r));
            size_t ticket = 0, before = SIZE_MAX;
            for (struct tile_run run; (run = schedule_tail(&s, ticket)).n > 0; ticket++) {
                take(taken, run);
                assert_true(run.n <= before); /* long ones first */
                before = run.n;
            }
            for (size_t i = 0; i < tiles; i++)
                assert_int_equal(taken[i], 1);
            /* late tickets of other ranks find nothing */
            for (size_t r = 0; r < ranks; r++)
                assert_int_equal(schedule_tail(&s, ticket + r).n, 0);
            free(taken);
        }
}

static void test_share(void **unused)
{
    (void)unused;
    assert_int_equal(schedule_make(100, 2).share, 30);
    assert_int_equal(schedule_make(10, 4).share, 0); /* too few tiles: all from the counter */
}

/* Each rank can have as many single tiles at the end as it had single tiles without runs. */
static void test_the_end_is_single_tiles(void **unused)
{
    (void)unused;
    for (size_t ranks = 1; ranks < 2000; ranks = 3 * ranks + 1)
        for (size_t each = 8; each < 3000; each = 2 * each + 1) {
            struct schedule s = schedule_make(each * ranks, ranks);
            size_t single = 0, ticket = 0;
            for (struct tile_run run; (run = schedule_tail(&s, ticket)).n > 0; ticket++)
                single += run.n == 1;
            assert_true(single >= 4 * ranks || single == s.tiles - s.share * ranks);
            assert_true(ticket < 40 * ranks);
        }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_every_tile_once),
                                       cmocka_unit_test(test_share),
                                       cmocka_unit_test(test_the_end_is_single_tiles)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
