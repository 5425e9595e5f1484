#include "contact/two_point.h"

#include <math.h>

/* JKR with a/a0 = s^2: F/F1 = -4 (s^6 - s^3), delta/l = s^4 - 2/3 s, l = a0^2/R. Zero force: s = 1,
 * delta0 = l/3; minimum: s^3 = 1/2, delta1 = -l (2/3 - 1/2) 2^(-1/3). With K a0^3 = 4 R |F1|:
 * C = 4 ((delta0 - delta1)/l)^(3/2), (delta0 - delta1)/l = (1 + 2^(-4/3))/3. */
const double two_point_factor = 1.2708751566595189;

struct two_point contact_two_point(double radius_m, double pull_off_n, double zero_depth_m,
                                   double pull_depth_m)
{
    double apart = zero_depth_m - pull_depth_m;
    if (!(apart > 0) || !(pull_off_n > 0)) return (struct two_point){NAN, NAN, NAN};
    double big_k = two_point_factor * pull_off_n / sqrt(radius_m * apart * apart * apart);
    return (struct two_point){big_k, 0.75 * big_k, 2.0 * pull_off_n / (3.0 * M_PI * radius_m)};
}
