/* Words that come from files: what is a character, what a terminal must not get. */
#include "base/words.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

/* Well-formed byte sequences: The Unicode Standard 15.0, section 3.9, table 3-7. */
static int table_3_7(const unsigned char *b, size_t n)
{
    static const struct {
        unsigned char low[4], high[4];
        size_t n;
    } rows[] = {
        {{0x00}, {0x7f}, 1},
        {{0xc2, 0x80}, {0xdf, 0xbf}, 2},
        {{0xe0, 0xa0, 0x80}, {0xe0, 0xbf, 0xbf}, 3},
        {{0xe1, 0x80, 0x80}, {0xec, 0xbf, 0xbf}, 3},
        {{0xed, 0x80, 0x80}, {0xed, 0x9f, 0xbf}, 3},
        {{0xee, 0x80, 0x80}, {0xef, 0xbf, 0xbf}, 3},
        {{0xf0, 0x90, 0x80, 0x80}, {0xf0, 0xbf, 0xbf, 0xbf}, 4},
        {{0xf1, 0x80, 0x80, 0x80}, {0xf3, 0xbf, 0xbf, 0xbf}, 4},
        {{0xf4, 0x80, 0x80, 0x80}, {0xf4, 0x8f, 0xbf, 0xbf}, 4},
    };
    for (size_t r = 0; r < sizeof rows / sizeof *rows; r++) {
        size_t i = 0;
        while (i < rows[r].n && i < n && b[i] >= rows[r].low[i] && b[i] <= rows[r].high[i])
            i++;
        if (i == rows[r].n) return (int)i;
    }
    return 0;
}

static void characters_of_the_table(void **state)
{
    (void)state;
    static const unsigned char edge[] = {0x00, 0x01, 0x7f, 0x80, 0x8f, 0x90, 0x9f, 0xa0, 0xbf,
                                         0xc0, 0xc1, 0xc2, 0xdf, 0xe0, 0xe1, 0xec, 0xed, 0xee,
                                         0xef, 0xf0, 0xf1, 0xf3, 0xf4, 0xf5, 0xff};
    const size_t n = sizeof edge;
    for (size_t i = 0; i < n * n * n * n; i++) {
        unsigned char b[5] = {edge[i % n], edge[i / n % n], edge[i / n / n % n],
                              edge[i / n / n / n], 0};
        assert_int_equal(words_character((const char *)b), table_3_7(b, 4));
    }
}

static void nothing_for_a_terminal_to_obey(void **state)
{
    (void)state;
    /* ECMA-48: ESC [ and the one-character CSI, U+009B */
    char text[] = "a\x1b[31mb\xc2\x9b"
                  "1mc\x7f\n\t\xff\xc3\xa9\xe2\x82";
    words_printable(text, ' ');
    assert_string_equal(text, "a [31mb 1mc   ?\xc3\xa9??");
    char all[256];
    for (int i = 0; i < 255; i++)
        all[i] = (char)(i + 1);
    all[255] = 0;
    words_printable(all, '?');
    assert_int_equal(strlen(all), 255);
    for (int i = 0; i < 255; i++)
        assert_true(all[i] >= ' ' && all[i] < 0x7f);
    char empty[] = "";
    words_printable(empty, '?');
    assert_string_equal(empty, "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(characters_of_the_table),
        cmocka_unit_test(nothing_for_a_terminal_to_obey),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
