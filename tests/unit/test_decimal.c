/* Short decimal numbers are to the last bit what strtod of the C library gives. */
#include "base/decimal.h"

#include <inttypes.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static uint64_t bits(double x)
{
    uint64_t out;
    memcpy(&out, &x, sizeof out);
    return out;
}

/* splitmix64: G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014, 453 */
static uint64_t next(uint64_t *state)
{
    uint64_t z = *state += UINT64_C(0x9e3779b97f4a7c15);
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

/* 1 to 18 digits with the point anywhere, and mostly an exponent. */
static void make_text(uint64_t *state, char *out, size_t size)
{
    static const char *const signs[] = {"", "-", "+"};
    int digits = 1 + (int)(next(state) % 18), point = (int)(next(state) % 20);
    size_t used = (size_t)snprintf(out, size, "%s", signs[next(state) % 3]);
    for (int i = 0; i < digits; i++)
        used += (size_t)snprintf(out + used, size - used, "%s%d", i == point ? "." : "",
                                 (int)(next(state) % 10));
    if (next(state) % 4)
        snprintf(out + used, size - used, "%c%d", next(state) % 2 ? 'e' : 'E',
                 (int)(next(state) % 61) - 30);
}

static void test_random(void **state)
{
    enum { CASES = 200000 };
    uint64_t seed = 1;
    int quick = 0;
    char text[64];
    (void)state;
    for (int i = 0; i < CASES; i++) {
        double got;
        make_text(&seed, text, sizeof text);
        if (!decimal_exact(text, '.', &got)) continue;
        quick++;
        if (bits(got) != bits(strtod(text, NULL))) fail_msg("%s: %a", text, got);
    }
    print_message("%d of %d without strtod\n", quick, CASES);
    assert_true(quick > CASES / 3);
}

/* As programs write them: all of them go the short way. */
static void test_columns(void **state)
{
    static const char *const formats[] = {"%.6f", "%.9e", "%.12g", "%.3f", "%.0f"};
    uint64_t seed = 2;
    char text[64];
    (void)state;
    for (int i = 0; i < 20000; i++) {
        double got, value = ((double)(next(&seed) >> 11) * 0x1p-53 - 0.5) * 100;
        if (i % 5 == 1) value *= 1e-9;
        snprintf(text, sizeof text, formats[i % 5], value);
        assert_true(decimal_exact(text, '.', &got));
        assert_true(bits(got) == bits(strtod(text, NULL)));
    }
}

static void test_edges(void **state)
{
    static const char *const taken[] = {"0",
                                        "-0",
                                        "-0.0",
                                        "1",
                                        "+1.",
                                        ".5",
                                        "1e22",
                                        "1e-22",
                                        "1E+05",
                                        "0.1",
                                        "00012",
                                        "1.e3",
                                        "123456789012345e22",
                                        "900719925474099e-22",
                                        "0.0000000000000001"};
    static const char *const left[] = {"",
                                       "-",
                                       ".",
                                       "e5",
                                       "1e",
                                       "1e+",
                                       "1e23",
                                       "1e-23",
                                       "nan",
                                       "inf",
                                       "0x10",
                                       "1 ",
                                       " 1",
                                       "1,5",
                                       "1.5.2",
                                       "1e5.",
                                       "--1",
                                       "1e1000",
                                       "1.5x",
                                       "12345678901234567890",
                                       "1e99999999999999999999"};
    double got;
    (void)state;
    for (size_t i = 0; i < sizeof taken / sizeof *taken; i++) {
        if (!decimal_exact(taken[i], '.', &got)) fail_msg("%s is left", taken[i]);
        if (bits(got) != bits(strtod(taken[i], NULL))) fail_msg("%s: %a", taken[i], got);
    }
    for (size_t i = 0; i < sizeof left / sizeof *left; i++)
        if (decimal_exact(left[i], '.', &got)) fail_msg("'%s' is taken", left[i]);
    assert_true(decimal_exact("-1,25e1", ',', &got) && got == -12.5);
    assert_false(decimal_exact("1.25", ',', &got));
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_random),
                                       cmocka_unit_test(test_columns),
                                       cmocka_unit_test(test_edges)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
