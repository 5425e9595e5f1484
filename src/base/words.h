/** Words in messages: the nearest right one to a wrong one, lists, and cuts that keep UTF-8 whole.
 */
#ifndef CANTLE_BASE_WORDS_H
#define CANTLE_BASE_WORDS_H

#include <stdbool.h>
#include <stddef.h>

/** Number of single-character edits from a to b, a swap of neighbours counts as one (Damerau,
 * Commun. ACM 7 (1964) 171, restricted form). Only the first 63 bytes of each are looked at. */
int words_distance(const char *a, const char *b);

/** Index of the candidate nearest to `word`; -1 when none is near enough to be meant (more than a
 * third of the letters differ). candidates [n], NULL entries are skipped. */
int words_nearest(const char *word, const char *const *candidates, size_t n);

/** Copy at most size - 1 bytes of text, cut between characters, "..." at the end when cut. */
void words_excerpt(const char *text, char *out, size_t size);

/** Bytes of the UTF-8 character at `text`, 1 to 4; 0 if it is none (RFC 3629, section 4: no
 * overlong forms, no surrogates). Reads no further than the end of the text. */
size_t words_character(const char *text);

/** True for C0, DEL and C1 (U+0080 to U+009F): terminals obey them, XML readers refuse them. */
bool words_is_control(const char *text);

/** Make a text safe for a terminal, a message and JSON: each control character becomes `instead`,
 * each byte that is no UTF-8 '?'. The text never grows. */
void words_printable(char *text, char instead);

/** The i-th word of a blank-separated list into out; 0 when there is none. */
int words_at(const char *list, size_t i, char *out, size_t size);

/** "a b c" -> "a, b, c". */
void words_list(const char *blank_separated, char *out, size_t size);

#endif
