#include "base/words.h"

#include <stdio.h>
#include <string.h>

enum { LONGEST = 63 };

static int smaller(int a, int b)
{
    return a < b ? a : b;
}

int words_distance(const char *a, const char *b)
{
    int d[LONGEST + 1][LONGEST + 1];
    int na = (int)strnlen(a, LONGEST), nb = (int)strnlen(b, LONGEST);
    for (int i = 0; i <= na; i++)
        d[i][0] = i;
    for (int j = 0; j <= nb; j++)
        d[0][j] = j;
    for (int i = 1; i <= na; i++)
        for (int j = 1; j <= nb; j++) {
            int differ = a[i - 1] != b[j - 1];
            d[i][j] = smaller(smaller(d[i - 1][j], d[i][j - 1]) + 1, d[i - 1][j - 1] + differ);
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1])
                d[i][j] = smaller(d[i][j], d[i - 2][j - 2] + 1);
        }
    return d[na][nb];
}

int words_nearest(const char *word, const char *const *candidates, size_t n)
{
    int best = -1, least = 0;
    for (size_t i = 0; i < n; i++) {
        if (!candidates[i]) continue;
        int d = words_distance(word, candidates[i]);
        int allowed = 1 + (int)strnlen(candidates[i], LONGEST) / 3;
        if (d <= allowed && (best < 0 || d < least)) {
            best = (int)i;
            least = d;
        }
    }
    return best;
}

void words_excerpt(const char *text, char *out, size_t size)
{
    size_t n = strnlen(text, size);
    if (n < size) {
        memcpy(out, text, n + 1);
        return;
    }
    n = size - 4;
    while (n > 0 && ((unsigned char)text[n] & 0xc0) == 0x80)
        n--;
    memcpy(out, text, n);
    memcpy(out + n, "...", 4);
}

size_t words_character(const char *text)
{
    const unsigned char *u = (const unsigned char *)text;
    size_t n = u[0] < 0x80                    ? 1
               : u[0] >= 0xc2 && u[0] <= 0xdf ? 2
               : (u[0] & 0xf0) == 0xe0        ? 3
               : u[0] >= 0xf0 && u[0] <= 0xf4 ? 4
                                              : 0;
    for (size_t i = 1; i < n; i++)
        if ((u[i] & 0xc0) != 0x80) return 0;
    bool overlong = (u[0] == 0xe0 && u[1] < 0xa0) || (u[0] == 0xf0 && u[1] < 0x90);
    bool not_a_character = (u[0] == 0xed && u[1] > 0x9f) || (u[0] == 0xf4 && u[1] > 0x8f);
    return n > 1 && (overlong || not_a_character) ? 0 : n;
}

bool words_is_control(const char *text)
{
    const unsigned char *u = (const unsigned char *)text;
    return u[0] < 0x20 || u[0] == 0x7f || (u[0] == 0xc2 && u[1] >= 0x80 && u[1] < 0xa0);
}

void words_printable(char *text, char instead)
{
    char *out = text;
    while (*text) {
        size_t n = words_character(text);
        bool good = n > 0 && !words_is_control(text);
        if (good)
            memmove(out, text, n);
        else
            *out = n > 0 ? instead : '?';
        out += good ? n : 1;
        text += n ? n : 1;
    }
    *out = 0;
}

int words_at(const char *list, size_t i, char *out, size_t size)
{
    for (;;) {
        list += strspn(list, " ");
        size_t n = strcspn(list, " ");
        if (n == 0) return 0;
        if (i-- == 0) {
            snprintf(out, size, "%.*s", (int)n, list);
            return 1;
        }
        list += n;
    }
}

void words_list(const char *blank_separated, char *out, size_t size)
{
    size_t used = 0;
    for (const char *c = blank_separated; *c && used + 3 < size; c++) {
        if (*c == ' ') out[used++] = ',';
        out[used++] = *c;
    }
    out[used] = 0;
}
