/** Text for figures: quoting for gnuplot, wrapping by an estimate of width, units for people. */
#ifndef CANTLE_FIGURE_TEXT_H
#define CANTLE_FIGURE_TEXT_H

#include <stddef.h>
#include <stdio.h>

enum {
    TEXT_LINES = 64, /**< most lines of one wrapped text; what is longer ends in "..." */
    TEXT_BYTES = 512 /**< room for one line, with its 0 */
};

/** Lines of a wrapped text. */
struct text_lines {
    size_t n;
    char line[TEXT_LINES][TEXT_BYTES];
};

/** Write a text as gnuplot single-quoted strings: control characters dropped, bytes that are not
 * UTF-8 shown as '?'. In single quotes gnuplot knows no escape, no command substitution and no
 * macro, so whatever stands there is only text. A quote becomes the string "'" between two others,
 * joined by gnuplot's dot: the doubling that its manual names fails in 5.4 where a text begins with
 * a quote. */
void text_quote(FILE *out, const char *text);

/** Break a text into lines of at most `width_pt` points at a font size: at blanks if possible,
 * inside words if not. Newlines in the text begin a new line. */
void text_wrap(struct text_lines *out, const char *text, double width_pt, double font_pt);

/** Estimated width in points; rather too wide than too narrow. */
double text_width(const char *text, double font_pt);

/** Prefix and SI unit as printed in a figure: "µm", "mJ/m²"; "" for the pure number "1". */
void text_unit(const char *prefix, const char *si_unit, char *out, size_t size);

/** "words (unit)"; "words" alone for a pure number. */
void text_axis(const char *words, const char *prefix, const char *si_unit, char *out, size_t size);

/** "3.21 MPa" with the prefix that fits the value. */
void text_value(double si_value, const char *si_unit, int digits, char *out, size_t size);

#endif
