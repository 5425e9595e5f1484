#include "base/decimal.h"

#include <float.h>
#include <stdint.h>

_Static_assert(FLT_EVAL_METHOD == 0 && DBL_MANT_DIG == 53,
               "one rounding of a double is what the method rests on");

enum { LARGEST_POWER = 22 };
static const double power_of_ten[LARGEST_POWER + 1] = {
    1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8,  1e9,  1e10, 1e11,
    1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/* Digits behind those of *number; false where it would leave what a double holds exactly. */
static bool take_digits(const char **at, int64_t *number, int *count)
{
    static const int64_t most = (INT64_C(1) << 53) / 10 - 1;
    for (; is_digit(**at); (*at)++, (*count)++) {
        if (*number > most) return false;
        *number = 10 * *number + (**at - '0');
    }
    return true;
}

static bool take_exponent(const char **at, int *exponent)
{
    int64_t number = 0;
    int count = 0;
    (*at)++;
    bool negative = **at == '-';
    if (**at == '-' || **at == '+') (*at)++;
    if (!take_digits(at, &number, &count) || count == 0 || number > 999) return false;
    *exponent += negative ? -(int)number : (int)number;
    return true;
}

bool decimal_exact(const char *text, char point, double *out)
{
    const char *at = text;
    int64_t number = 0;
    int whole = 0, fraction = 0;
    bool negative = *at == '-';
    if (*at == '-' || *at == '+') at++;
    if (!take_digits(&at, &number, &whole)) return false;
    if (*at == point && (at++, !take_digits(&at, &number, &fraction))) return false;
    if (whole + fraction == 0) return false;
    int exponent = -fraction;
    if ((*at == 'e' || *at == 'E') && !take_exponent(&at, &exponent)) return false;
    if (*at || exponent > LARGEST_POWER || exponent < -LARGEST_POWER) return false;
    double value = (double)number;
    value = exponent < 0 ? value / power_of_ten[-exponent] : value * power_of_ten[exponent];
    *out = negative ? -value : value;
    return true;
}
