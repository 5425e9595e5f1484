/** What the tip watch has found, in words and as JSON. */
#ifndef CANTLE_COMMAND_TIP_WORDS_H
#define CANTLE_COMMAND_TIP_WORDS_H

#include "review/breaks.h"

#include <jansson.h>

/** "changed before row 49 of the volume (p 2e-05): adhesion x 1.33 [1.28, 1.38], ..." */
void tip_words(const struct break_found *f, char *out, size_t size);

/** The table; null for a file that was not looked at. */
json_t *tip_json(const struct breaks *b);

#endif
