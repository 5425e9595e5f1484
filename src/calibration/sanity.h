/** What levers and tips are made of: values outside are no error, but worth a second look. */
#ifndef CANTLE_CALIBRATION_SANITY_H
#define CANTLE_CALIBRATION_SANITY_H

#include <stddef.h>

/** quantity, smallest and largest usual value (SI), what to think of. Common practice, no source.
 */
#define SANITY_LIST(S)                                                                             \
    S(deflection_sensitivity, 2e-9, 1e-6, "is it in V/nm, or of another detector?")                \
    S(spring_constant, 0.01, 100, "levers have 0.01 to 100 N/m; is a prefix lost?")                \
    S(tip_radius, 2e-9, 50e-6, "tips have a few nm to tens of um; is it a diameter?")              \
    S(tip_half_angle, 0.08, 1.25, "is it the full angle?")                                         \
    S(tip_face_angle, 0.08, 1.25, "is it the full angle, or that of an edge?")                     \
    S(resonance, 500, 5e6, "levers resonate between 1 kHz and some MHz; check the sampling rate")  \
    S(quality_factor, 0.5, 2000, "is the lever in a vacuum, or was it driven?")                    \
    S(lever_length, 5e-6, 1e-3, "is a prefix lost?")                                               \
    S(tip_height, 5e-7, 1e-4, "is a prefix lost?")

/** A sentence for a value outside its usual range, into out; returns 0 (and "") when there is none.
 */
int sanity_check(const char *quantity, double value, char *out, size_t size);

#endif
