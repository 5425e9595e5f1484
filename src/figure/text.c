#include "figure/text.h"

#include "base/units.h"
#include "base/words.h"

#include <string.h>

void text_quote(FILE *out, const char *text)
{
    fputc('\'', out);
    while (*text) {
        size_t n = words_character(text);
        if (n == 0) {
            fputc('?', out);
            n = 1;
        } else if (*text == '\'') {
            fputs("'.\"'\".'", out);
        } else if (!words_is_control(text)) {
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
        size_t n = words_character(text);
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
        size_t step = words_character(text + n);
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
    const char *prefix = strcmp(si_unit, "1") == 0 ? "" : units_prefix(si_value, si_unit, &factor);
    text_unit(prefix, si_unit, unit, sizeof unit);
    snprintf(out, size, "%.*g%s%s", digits, si_value / factor, *unit ? " " : "", unit);
}
