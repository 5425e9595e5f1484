/** Files of src/report/page and the plotting library, built into the program by embed.cmake. */
#ifndef CANTLE_REPORT_ASSETS_H
#define CANTLE_REPORT_ASSETS_H

#include <stddef.h>

/** Bytes, not ended by a 0, and their SHA-256 in hexadecimal digits. */
struct asset {
    const unsigned char *bytes;
    size_t n;
    const char *sha256;
};
extern const struct asset asset_page, asset_style, asset_script;

#endif
