#include "figure/text.h"

#include "base/units.h"

#include <stdbool.h>
#include <string.h>

/* Bytes of the UTF-8 character at s; 0 if it is none (RFC 3629). */
static size_t utf8_length(const char *s)
{
    const unsigned char *u = (const unsigned char *)s;
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

/* C0, DEL and C1 (U+0080 to U+009F): terminals and XML readers do not take them. */
static bool is_control(const char *s, size_t n)
{
    unsigned char c = (unsigned char)s[0];
    return (n == 1 && (c < 0x20 || c == 0x7f)) ||
           (n == 2 && c == 0xc2 && (unsigned char)s[1] < 0xa0);
}

void text_quote(FILE *out, const char *text)
{
    fputc('\'', out);
    while (*text) {
        size_t n = utf8_length(text);
        if (n == 0) {
            fputc('?', out);
            n = 1;
        } else if (*text == '\'') {
            fputs("'.\"'\".'", out);
        } else if (!is_control(text, n)) {
            fwrite(text, 1, n, out);
        }
        text += n;
    }
    fputc('\'', out);
}

/* Widths in em, rounded up from DejaVu Sans, the widest of the usual sans-serif fonts. */
static double glyph_width(const char *s)
{
    unsigned char c = (unsigned char)*s;
    if (c >= 0xe2) return 1.0;
    if (c >= 0x80) return 0.65;
    if (strchr("ijl|.,:;'!()[] ", c)) return 0.36;
    if (strchr("mwMW@%", c)) return 0.98;
    if (c >= 'A' && c <= 'Z') return 0.72;
    return 0.61;
}

double text_width(const char *text, double font_pt)
{
    double em = 0;
    while (*text) {
        size_t n = utf8_length(text);
        em += glyph_width(text);
        text += n ? n : 1;
    }
    return em * font_pt;
}

/* Bytes of text that fit on one line; *skip is what the break swallows. */
static size_t line_length(const char *text, double width_em, size_t *skip)
{
    size_t n = 0, blank = 0;
    double used = 0;
    *skip = 0;
    while (text[n] && text[n] != '\n') {
        size_t step = utf8_length(text + n);
        if (step == 0) step = 1;
        used += glyph_width(text + n);
        if ((n > 0 && used > width_em) || n + step >= TEXT_BYTES) {
            if (text[n] != ' ' && blank == 0) return n;
            *skip = 1;
            return text[n] == ' ' ? n : blank;
        }
        if (text[n] == ' ') blank = n;
        n += step;
    }
    *skip = text[n] == '\n';
    return n;
}

void text_wrap(struct text_lines *out, const char *text, double width_pt, double font_pt)
{
    out->n = 0;
    while (*text && out->n < TEXT_LINES) {
        size_t skip, n = line_length(text, width_pt / font_pt, &skip);
        char *line = out->line[out->n++];
        memcpy(line, text, n);
        line[n] = 0;
        text += n + skip;
        if (*text && out->n == TEXT_LINES) snprintf(line, TEXT_BYTES, "...");
    }
}

void text_unit(const char *prefix, const char *si_unit, char *out, size_t size)
{
    if (strcmp(si_unit, "1") == 0 || !*si_unit) {
        snprintf(out, size, "%s", "");
        return;
    }
    const char *square = strstr(si_unit, "m2");
    int head = square ? (int)(square - si_unit) + 1 : (int)strlen(si_unit);
    snprintf(out, size, "%s%.*s%s%s", strcmp(prefix, "u") ? prefix : "\u00b5", head, si_unit,
             square ? "\u00b2" : "", square ? square + 2 : "");
}

void text_axis(const char *words, const char *prefix, const char *si_unit, char *out, size_t size)
{
    char unit[32];
    text_unit(prefix, si_unit, unit, sizeof unit);
    snprintf(out, size, *unit ? "%s (%s)" : "%s", words, unit);
}

void text_value(double si_value, const char *si_unit, int digits, char *out, size_t size)
{
    double factor = 1;
    char unit[32];
    const char *prefix = strcmp(si_unit, "1") == 0 ? "" : units_prefix(si_value, &factor);
    text_unit(prefix, si_unit, unit, sizeof unit);
    snprintf(out, size, "%.*g%s%s", digits, si_value / factor, *unit ? " " : "", unit);
}
