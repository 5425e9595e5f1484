/** Names inside archives are UTF-8 whatever the user's locale is. */
#ifndef CANTLE_INTAKE_UTF8_H
#define CANTLE_INTAKE_UTF8_H

#include <locale.h>

/** From here to utf8_leave libarchive reads and gives names as UTF-8, in this thread. Where the
 * system has no such locale nothing changes, and names beyond ASCII are not found. */
locale_t utf8_enter(void);
void utf8_leave(locale_t before);

#endif
