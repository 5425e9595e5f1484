#include "review/agreement.h"

#include <math.h>

static bool pair(const double *a, const double *b, const bool *use, size_t i, bool logarithm,
                 double *x, double *y)
{
    if ((use && !use[i]) || !isfinite(a[i]) || !isfinite(b[i])) return false;
    if (logarithm && !(a[i] > 0 && b[i] > 0)) return false;
    *x = logarithm ? log(a[i]) : a[i];
    *y = logarithm ? log(b[i]) : b[i];
    return true;
}

struct means {
    double x, y, n;
};

static struct means means_of(const double *a, const double *b, const bool *use, size_t n,
                             bool logarithm)
{
    struct means m = {0, 0, 0};
    double x, y;
    for (size_t i = 0; i < n; i++)
        if (pair(a, b, use, i, logarithm, &x, &y)) m.x += x, m.y += y, m.n++;
    m.x /= m.n;
    m.y /= m.n;
    return m;
}

void agreement_of(const double *a, const double *b, const bool *use, size_t n, bool logarithm,
                  struct agreement *out)
{
    const struct means m = means_of(a, b, use, n, logarithm);
    double x, y, xx = 0, yy = 0, xy = 0, dd = 0;
    for (size_t i = 0; i < n; i++) {
        if (!pair(a, b, use, i, logarithm, &x, &y)) continue;
        x -= m.x, y -= m.y;
        xx += x * x, yy += y * y, xy += x * y;
        dd += (y - x) * (y - x); /* the mean difference is taken off: x and y are centred */
    }
    *out = (struct agreement){.n = (size_t)m.n, .bias = m.n > 0 ? m.y - m.x : NAN};
    const bool enough = m.n > 1;
    out->spread = enough ? sqrt(dd / (m.n - 1)) : NAN;
    out->low = out->bias - 1.96 * out->spread;
    out->high = out->bias + 1.96 * out->spread;
    out->bias_u = out->spread / sqrt(m.n);
    out->limit_u = out->spread * sqrt(3 / m.n);
    out->correlation = enough && xx > 0 && yy > 0 ? xy / sqrt(xx * yy) : NAN;
}

size_t agreement_beyond(const double *a, const double *ua, const double *b, const double *ub,
                        const bool *use, size_t n, double times, size_t *counted)
{
    size_t beyond = 0;
    *counted = 0;
    for (size_t i = 0; i < n; i++) {
        double u = hypot(ua[i], ub[i]), d = fabs(b[i] - a[i]);
        if ((use && !use[i]) || !isfinite(u) || !isfinite(d)) continue;
        ++*counted;
        if (d > times * u) beyond++;
    }
    return beyond;
}
