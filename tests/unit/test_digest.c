/* The digest: against xxHash through another door, and sums that do not depend on order. */
#include "base/digest.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

/* From Python's xxhash 3.0.0: xxhash.xxh3_128_hexdigest(bytes, seed=seed). */
static void known_digests(void **state)
{
    (void)state;
    unsigned char ramp[256], mixed[1000];
    char text[33];
    for (size_t i = 0; i < sizeof ramp; i++)
        ramp[i] = (unsigned char)i;
    for (size_t i = 0; i < sizeof mixed; i++)
        mixed[i] = (unsigned char)(i * 7 + 3);
    const struct {
        const void *bytes;
        size_t n;
        uint64_t seed;
        const char *digits;
    } known[] = {{"", 0, 0, "99aa06d3014798d86001c324468d497f"},
                 {"cantle", 6, 0, "cbb695ba25b0aaf61127aee79bab8572"},
                 {"cantle", 6, 7, "e5a2b9f7d9c02df01666599fa6cba409"},
                 {ramp, sizeof ramp, 42, "006919752d0ced7ac1a55ca180b3fd0a"},
                 {mixed, sizeof mixed, UINT64_C(1) << 63, "bcdddcca23270b437fd39d6df688ee83"}};
    for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
        digest_text(digest_bytes(known[i].bytes, known[i].n, known[i].seed), text);
        assert_string_equal(text, known[i].digits);
    }
}

static void stream_equals_whole(void **state)
{
    (void)state;
    unsigned char bytes[1000];
    char whole[33], parts[33];
    for (size_t i = 0; i < sizeof bytes; i++)
        bytes[i] = (unsigned char)(i * 7 + 3);
    struct digest_stream *s = digest_stream_new();
    assert_non_null(s);
    for (size_t cut = 0; cut <= sizeof bytes; cut += 125) {
        digest_stream_begin(s, 5);
        digest_stream_feed(s, bytes, cut);
        digest_stream_feed(s, bytes + cut, sizeof bytes - cut);
        digest_text(digest_stream_end(s), parts);
        digest_text(digest_bytes(bytes, sizeof bytes, 5), whole);
        assert_string_equal(parts, whole);
    }
    digest_stream_free(s);
}

static void sums_in_any_order(void **state)
{
    (void)state;
    enum { N = 100 };
    struct digest up = {0, 0}, down = {0, 0}, halves[2] = {{0, 0}, {0, 0}};
    for (uint64_t i = 0; i < N; i++) {
        digest_add(&up, digest_bytes("pixel", 5, i));
        digest_add(&down, digest_bytes("pixel", 5, N - 1 - i));
        digest_add(&halves[i % 2], digest_bytes("pixel", 5, i));
    }
    digest_add(&halves[0], halves[1]);
    assert_memory_equal(&up, &down, sizeof up);
    assert_memory_equal(&up, &halves[0], sizeof up);
    struct digest swapped = {0, 0};
    for (uint64_t i = 0; i < N; i++)
        digest_add(&swapped, digest_bytes("pixel", 5, i ? i : N));
    assert_memory_not_equal(&up, &swapped, sizeof up);
}

static void sum_carries(void **state)
{
    (void)state;
    struct digest sum = {1, UINT64_MAX};
    digest_add(&sum, (struct digest){2, 1});
    assert_true(sum.high == 4 && sum.low == 0);
    sum = (struct digest){UINT64_MAX, UINT64_MAX};
    digest_add(&sum, (struct digest){0, 2});
    assert_true(sum.high == 0 && sum.low == 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(known_digests),
        cmocka_unit_test(stream_equals_whole),
        cmocka_unit_test(sums_in_any_order),
        cmocka_unit_test(sum_carries),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
