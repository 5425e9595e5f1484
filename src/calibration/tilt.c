#include "calibration/tilt.h"

#include <math.h>

int tilt_needs_tip(enum tilt_correction correction)
{
    return correction == TILT_HEIM || correction == TILT_HUTTER || correction == TILT_BEAM;
}

double tilt_factor(enum tilt_correction correction, double tilt_rad, double tip_height,
                   double length)
{
    double c = cos(tilt_rad), s = sin(tilt_rad), slender = tip_height / length, root;
    double under = NAN; /* 1/f */
    switch (correction) {
    case TILT_NONE:
    case TILT_CONTAINED:
        return 1.0;
    case TILT_COSINE_SQUARED:
        under = c * c;
        break;
    case TILT_HEIM:
        under = c * (c - 2.0 * slender * s);
        break;
    case TILT_HUTTER:
        root = c - 1.5 * slender * s;
        under = root > 0 ? root * root : NAN;
        break;
    case TILT_BEAM:
        under = c * c - 3.0 * slender * s * c + 3.0 * slender * slender * s * s;
        break;
    }
    return under > 0 ? 1.0 / under : NAN;
}
