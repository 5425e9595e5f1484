/** Which pixels of a map file show their curve in a report. */
#ifndef CANTLE_REPORT_CHOOSE_H
#define CANTLE_REPORT_CHOOSE_H

#include "maps/maps.h"

/** Why a pixel's curve is there: name; words for the page. */
#define PICK_LIST(P)                                                                               \
    P(typical, "typical: its modulus is nearest to the median")                                    \
    P(best, "best: smallest standard error of the modulus, relative to it")                        \
    P(worst, "worst: largest standard error of the modulus, relative to it")                       \
    P(worst_fit, "worst fit: largest residuals in contact, relative to the noise")                 \
    P(flag, "stands for a flag")                                                                   \
    P(asked, "asked for")                                                                          \
    P(spread, "one of those spread over the map")

enum pick_reason {
#define P(name, words) PICK_##name,
    PICK_LIST(P)
#undef P
        PICK_COUNT
};
struct pick_row {
    const char *name, *words;
};
extern const struct pick_row pick_rows[PICK_COUNT];

struct pick {
    size_t column, row; /**< of the map */
    unsigned reasons;   /**< a bit for each pick_reason */
    uint64_t flags;     /**< the flags that it stands for */
};

/** In order of importance: those that every report has, those asked for, those spread over it. */
struct picks {
    size_t n;
    size_t needed; /**< of them typical, best, worst, flag or asked */
    struct pick *pick;
};

/** A pixel that the user asks for. */
struct pixel_place {
    size_t column, row;
};

/** Choose. Accepted pixels are candidates for typical and best (doubtful ones where there are
 * none), both for worst; absent pixels have no curve. For each flag that is set anywhere the pixel
 * with the fewest other flags, the first of equals. `further` more lie where the sequence of Halton
 * (Numer. Math. 2 (1960) 84, bases 2 and 3; from memory) falls, so that any number of them is
 * spread evenly.
 *  @param asked  [n_asked], inside the grid, not absent
 *  Errors: ST_MEMORY. Free with picks_free. */
enum status picks_make(struct picks *out, const struct maps_view *view,
                       const struct pixel_place *asked, size_t n_asked, size_t further,
                       struct report *rep) MUST_CHECK;
void picks_free(struct picks *p);

#endif
