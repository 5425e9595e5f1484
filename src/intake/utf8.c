#include "intake/utf8.h"

/* Made once and kept: the C library gives the names of a locale no other way. */
static locale_t utf8(void)
{
    static locale_t made;
    if (!made) made = newlocale(LC_CTYPE_MASK, "C.UTF-8", (locale_t)0);
    return made;
}

locale_t utf8_enter(void)
{
    return utf8() ? uselocale(utf8()) : (locale_t)0;
}

void utf8_leave(locale_t before)
{
    if (before) uselocale(before);
}
