#include "figure/ticks.h"

#include <math.h>
#include <stdio.h>

double ticks_step(double span, double wanted)
{
    double raw = span / wanted;
    double power = pow(10.0, floor(log10(raw)));
    double m = raw / power;
    return power * (m < 1.5 ? 1 : m < 3.5 ? 2 : m < 7.5 ? 5 : 10);
}

static void add(struct ticks *out, double value, bool major)
{
    if (out->n == TICKS_MOST) return;
    struct tick *t = &out->tick[out->n++];
    *t = (struct tick){.value = value, .major = major};
    if (major) snprintf(t->label, sizeof t->label, "%.10g", value);
}

static void make_linear(struct ticks *out, double low, double high, double wanted)
{
    double step = ticks_step(high - low, wanted), slack = 1e-9 * (high - low);
    for (double i = ceil((low - slack) / step); i * step <= high + slack; i++)
        add(out, i * step + 0.0, true); /* + 0.0: no tick is called -0 */
}

/* Mantissas with labels: as many as there is room for, else 1 of each stride-th decade. */
static bool log_label(int mantissa, int decade, double decades, double wanted)
{
    if (decades < wanted / 5) return mantissa <= 3 || mantissa == 5 || mantissa == 7;
    if (decades < wanted / 3) return mantissa <= 2 || mantissa == 5;
    int stride = (int)fmax(1.0, ceil(decades / (1.5 * wanted)));
    return mantissa == 1 && decade % stride == 0;
}

static void make_log(struct ticks *out, double low, double high, double wanted)
{
    double decades = log10(high / low);
    int first = (int)floor(log10(low)), last = (int)ceil(log10(high));
    bool minor = decades < 10;
    for (int d = first; d <= last; d++)
        for (int m = 1; m < (minor ? 10 : 2); m++) {
            double v = m * pow(10.0, d);
            if (v >= low * (1 - 1e-9) && v <= high * (1 + 1e-9))
                add(out, v, log_label(m, d, decades, wanted));
        }
}

void ticks_make(struct ticks *out, double low, double high, bool log_scale, double wanted)
{
    out->n = 0;
    if (log_scale && log10(high / low) >= 0.7)
        make_log(out, low, high, wanted);
    else
        make_linear(out, low, high, wanted);
}
