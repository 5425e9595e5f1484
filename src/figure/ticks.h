/** Tick marks at round numbers. */
#ifndef CANTLE_FIGURE_TICKS_H
#define CANTLE_FIGURE_TICKS_H

#include <stdbool.h>
#include <stddef.h>

enum { TICKS_MOST = 128 };

struct tick {
    double value;
    bool major;     /**< has a label */
    char label[32]; /**< "" when minor */
};

struct ticks {
    size_t n;
    struct tick tick[TICKS_MOST];
};

/** A round step (1, 2 or 5 times a power of ten) that cuts `span` > 0 into about `wanted` pieces.
 */
double ticks_step(double span, double wanted);

/** Ticks for low..high (low < high), about `wanted` with labels. With log_scale (0 < low): decades;
 *  1, 2, 3, 5, 7 or 1, 2, 5 for a short range; the linear ticks below a factor of five. */
void ticks_make(struct ticks *out, double low, double high, bool log_scale, double wanted);

#endif
