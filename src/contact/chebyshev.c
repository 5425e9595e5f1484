#include "contact/chebyshev.h"

#include <math.h>

double chebyshev_node(int j, int terms, double length)
{
    return 0.5 * length * (1.0 + cos(M_PI * (j + 0.5) / terms));
}

void chebyshev_fit(const double *values, int terms, double *series)
{
    for (int k = 0; k < terms; k++) {
        double sum = 0;
        for (int j = 0; j < terms; j++)
            sum += values[j] * cos(M_PI * k * (j + 0.5) / terms);
        series[k] = (k ? 2.0 : 1.0) * sum / terms;
    }
}

/* Recurrences upwards. */
struct jet chebyshev_at(const double *c, int terms, double length, double x)
{
    double y = 2.0 * x / length - 1.0, per = 2.0 / length;
    struct jet before = {1, 0, 0}, now = {y, 1, 0};
    struct jet sum = {c[0] + c[1] * y, c[1], 0};
    for (int k = 2; k < terms; k++) {
        struct jet next = {2 * y * now.f - before.f, 2 * now.f + 2 * y * now.f1 - before.f1,
                           4 * now.f1 + 2 * y * now.f2 - before.f2};
        before = now;
        now = next;
        sum.f += c[k] * now.f;
        sum.f1 += c[k] * now.f1;
        sum.f2 += c[k] * now.f2;
    }
    return (struct jet){sum.f, sum.f1 * per, sum.f2 * per * per};
}

void quintic_between(struct jet a, struct jet b, double step, double c[6])
{
    double f = b.f - a.f, s = step * a.f1, t = step * b.f1, p = step * step * a.f2,
           q = step * step * b.f2;
    c[0] = a.f;
    c[1] = s;
    c[2] = 0.5 * p;
    c[3] = 10 * f - 6 * s - 4 * t - 1.5 * p + 0.5 * q;
    c[4] = -15 * f + 8 * s + 7 * t + 1.5 * p - q;
    c[5] = 6 * f - 3 * s - 3 * t - 0.5 * p + 0.5 * q;
}
