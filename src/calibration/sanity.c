#include "calibration/sanity.h"

#include <stdio.h>
#include <string.h>

static const struct {
    const char *quantity;
    double low, high;
    const char *words;
} rows[] = {
#define S(name, low, high, words) {#name, low, high, words},
    SANITY_LIST(S)
#undef S
};

int sanity_check(const char *quantity, double value, char *out, size_t size)
{
    *out = 0;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        if (strcmp(rows[i].quantity, quantity) != 0) continue;
        if (value >= rows[i].low && value <= rows[i].high) return 0;
        snprintf(out, size, "%s %.3g lies outside %g to %g (SI): %s", quantity, value, rows[i].low,
                 rows[i].high, rows[i].words);
        return 1;
    }
    return 0;
}
