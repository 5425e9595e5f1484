/** Words in messages: the nearest right one to a wrong one, lists, and cuts that keep UTF-8 whole.
 */
#ifndef CANTLE_BASE_WORDS_H
#define CANTLE_BASE_WORDS_H

#include <stddef.h>

/** Number of single-character edits from a to b, a swap of neighbours counts as one (Damerau,
 * Commun. ACM 7 (1964) 171, restricted form). Only the first 63 bytes of each are looked at. */
int words_distance(const char *a, const char *b);

/** Index of the candidate nearest to `word`; -1 when none is near enough to be meant (more than a
 * third of the letters differ). candidates [n], NULL entries are skipped. */
int words_nearest(const char *word, const char *const *candidates, size_t n);

/** Copy at most size - 1 bytes of text, cut between characters, "..." at the end when cut. */
void words_excerpt(const char *text, char *out, size_t size);

/** The i-th word of a blank-separated list into out; 0 when there is none. */
int words_at(const char *list, size_t i, char *out, size_t size);

/** "a b c" -> "a, b, c". */
void words_list(const char *blank_separated, char *out, size_t size);

#endif
