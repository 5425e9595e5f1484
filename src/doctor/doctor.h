/** Signs and units that are usually wrong, looked for in a volume's own curves. */
#ifndef CANTLE_DOCTOR_DOCTOR_H
#define CANTLE_DOCTOR_DOCTOR_H

#include "volume/volume.h"

/** One row a mistake: name, words. */
#define TROUBLE_LIST(T)                                                                            \
    T(z_reversed, "the approach begins in contact: its samples run backwards")                     \
    T(sign_reversed, "the signal falls when the sample pushes the tip away")                       \
    T(segments_exchanged, "adhesion is on the approach, not on the retract")                       \
    T(too_steep, "the lever bends more than the piezo moves")                                      \
    T(force_as_deflection, "the deflection seems to be a force")                                   \
    T(no_sensitivity, "the signal is in volts, and the sensitivity is not known")                  \
    T(sensitivity_inverted, "the sensitivity seems to be in V/nm")                                 \
    T(sensitivity_range, "the sensitivity is outside of what optical levers have")                 \
    T(spring_constant_range, "the spring constant is outside of what levers have")                 \
    T(radius_range, "the tip radius is outside of what tips have")                                 \
    T(angle_range, "the angle of the tip is wide for a half-opening angle")

enum trouble {
#define T(name, words) TROUBLE_##name,
    TROUBLE_LIST(T)
#undef T
        TROUBLE_COUNT
};

struct trouble_row {
    const char *name, *words;
};
extern const struct trouble_row trouble_rows[TROUBLE_COUNT];

/** How good a reason is. SHOWN: physics forbids the curves as they are described. LIKELY: most
 * curves look so. PLAUSIBILITY: the number alone is unusual, the curves cannot say. */
enum evidence { EVIDENCE_SHOWN, EVIDENCE_LIKELY, EVIDENCE_PLAUSIBILITY };
extern const char *const evidence_words[];

struct finding {
    enum trouble trouble;
    enum evidence evidence;
    char reason[320];     /**< what was seen */
    char correction[320]; /**< what to write, and where */
};

/** What the curves cannot tell, in words. */
struct unsure {
    char text[240];
};

enum { MOST_FINDINGS = TROUBLE_COUNT, MOST_UNSURE = 6 };

struct diagnosis {
    size_t looked_at, with_contact; /**< curves */
    size_t n;
    struct finding finding[MOST_FINDINGS];
    size_t n_unsure;
    struct unsure unsure[MOST_UNSURE];
};

/** Look at up to 64 curves spread over the grid. Errors: those of reading. */
enum status doctor_examine(struct volume *v, struct diagnosis *out, struct report *rep) MUST_CHECK;

#endif
