/* Functions in lanes against the C library's in extended precision. */
#include "base/lanes_math.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static void assert_near(double got, long double want, double tolerance)
{
    if (!(fabsl(got - want) <= tolerance * fabsl(want)))
        fail_msg("got %.17g, want %.21Lg", got, want);
}

/* Four different arguments at a time, so that a lane that takes another's is seen. */
static lanes four_from(double x, double ratio)
{
    return (lanes){x, ratio * x, ratio * ratio * x, -x};
}

static void test_exp(void **unused)
{
    (void)unused;
    for (double x = 1e-12; x < 300.0; x *= 1.003) {
        lanes at = four_from(x, 1.5), got = lanes_exp(at);
        for (int i = 0; i < LANES; i++)
            assert_near(got[i], expl(at[i]), 5e-16);
    }
    assert_true(lanes_exp((lanes){0})[0] == 1.0);
}

static void test_log1p(void **unused)
{
    (void)unused;
    for (double x = 1e-300; x < 1e290; x *= 1.07) {
        lanes at = four_from(x, 1.3);
        at[3] = 1.9 * x;
        lanes got = lanes_log1p(at);
        for (int i = 0; i < LANES; i++)
            assert_near(got[i], log1pl(at[i]), 5e-16);
    }
    for (double x = 0.3; x < 3.0; x += 1e-4)
        assert_near(lanes_log1p((lanes){x, x, x, x})[2], log1pl(x), 5e-16);
    assert_true(lanes_log1p((lanes){0})[0] == 0.0);
}

static void test_log(void **unused)
{
    (void)unused;
    for (double x = 1e-300; x < 1e290; x *= 1.07) {
        lanes at = four_from(x, 1.3);
        at[3] = 1.9 * x;
        lanes got = lanes_log(at);
        for (int i = 0; i < LANES; i++)
            assert_near(got[i], logl(at[i]), 5e-16);
    }
    for (double x = 0.3; x < 3.0; x += 1e-4)
        assert_near(lanes_log((lanes){x, x, x, x})[2], logl(x), 5e-16);
    assert_true(lanes_log((lanes){1.0, 1.0, 1.0, 1.0})[0] == 0.0);
}

static void test_sine_cosine(void **unused)
{
    (void)unused;
    for (double x = 1e-9; x < M_PI_4 / 1.21; x += 1e-4) {
        lanes at = four_from(x, 1.1), sine, cosine;
        lanes_sine_cosine(at, &sine, &cosine);
        for (int i = 0; i < LANES; i++) {
            assert_near(sine[i], sinl(at[i]), 5e-16);
            assert_near(cosine[i], cosl(at[i]), 5e-16);
        }
    }
}

static void test_atan(void **unused)
{
    (void)unused;
    for (double x = 1e-9; x < 1e9; x *= 1.003) {
        lanes at = four_from(x, 1.7);
        at[3] = 1.0 / x;
        lanes got = lanes_atan(at);
        for (int i = 0; i < LANES; i++)
            assert_near(got[i], atanl(at[i]), 5e-16);
    }
    assert_true(lanes_atan((lanes){0})[0] == 0.0);
}

static void test_polynomial(void **unused)
{
    (void)unused;
    static const double c[] = {1, -2, 3, -4, 5}; /* at 2: 1 - 4 + 12 - 32 + 80 */
    const lanes two = {2, 2, 2, 2};
    assert_true(lanes_polynomial(c, 5, two)[3] == 57.0);
    assert_true(lanes_polynomial(c, 4, two)[3] == -23.0);
    assert_true(lanes_polynomial(c, 2, two)[3] == -3.0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_exp),  cmocka_unit_test(test_log1p),
        cmocka_unit_test(test_log),  cmocka_unit_test(test_sine_cosine),
        cmocka_unit_test(test_atan), cmocka_unit_test(test_polynomial),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
